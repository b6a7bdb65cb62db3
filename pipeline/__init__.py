"""Align, level, measure and compare the captures of one DI."""
