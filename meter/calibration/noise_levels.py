"""The level of the calibration noise: what is said of it and what plays it read the same figures here."""

from __future__ import annotations

CAP_DBFS_RMS = -20.0
"""The noise in each channel, and what the player never exceeds: rms where a full-scale sine reads 0 (AES17)."""

START_DBFS_RMS = -50.0
"""Where the player begins."""
