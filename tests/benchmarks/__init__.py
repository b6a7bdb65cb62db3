"""Benches: long, seeded campaigns that print tables and assert nothing."""
