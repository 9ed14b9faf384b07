"""Estimated level at the seat and time left under a chosen rule; nothing without a calibration."""
