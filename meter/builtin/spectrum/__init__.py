"""Lows finely, the rest in third octaves (IEC 61260-1 mid-bands)."""
