"""Other people's implementations, for the tests and the bench to compare with. Optional: the program needs none."""
