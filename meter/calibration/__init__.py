"""Level at the seat: calibration noise, its checks, the offset, the monitor control. No Qt."""
