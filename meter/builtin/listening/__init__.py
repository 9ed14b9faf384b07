"""Estimated listening level and time left under a chosen rule; no reading without a calibration."""
