"""Reference libraries that the program is checked and timed against; none is needed to run it."""
