"""Malformed files for every reader of the program: ``python -m tests.fuzz``."""
