"""Sessions made from real recordings: a real guitar, general-purpose effects."""
