"""Sources of sound (device, Linux monitor, file, demo, script for tests) and the ring buffer that they fill."""
