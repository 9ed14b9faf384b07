"""Faults put into the code one at a time, to see whether the tests notice: ``python -m tests.mutants``."""
