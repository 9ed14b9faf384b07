"""Measures of two channels: correlation, balance, x/y picture, mono loss by band."""
