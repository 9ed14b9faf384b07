"""Reference implementations by others, for tests and bench. Optional."""
