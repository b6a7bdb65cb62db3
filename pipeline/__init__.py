"""Align, level, measure and compare the captures of one DI."""

__version__ = "0.1.0"
