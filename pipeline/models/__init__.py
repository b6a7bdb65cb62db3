"""What a manifest may say and what a record holds: strict, frozen, finite."""
