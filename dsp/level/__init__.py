"""Level: RMS, volume indicator and peak programme ballistics."""
