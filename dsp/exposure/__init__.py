"""Noise exposure: A and C weighting, time at level, share of an allowance."""
