"""Signal processing as arithmetic: arrays in, arrays and frozen dataclasses out."""
