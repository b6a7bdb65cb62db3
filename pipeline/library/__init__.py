"""A catalogue of sessions: find, compare and hand over tones long after the night."""
