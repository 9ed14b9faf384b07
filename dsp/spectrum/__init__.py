"""Spectrum: fine lows and third octaves (IEC 61260-1), note names."""
