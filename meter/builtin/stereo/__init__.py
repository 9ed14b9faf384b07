"""Correlation, balance and the x/y picture of left and right."""
