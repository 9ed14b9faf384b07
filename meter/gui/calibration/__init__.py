"""The windows of the calibration, the monitor control and the cautions."""
