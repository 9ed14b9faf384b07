"""The level of each channel of the source."""
