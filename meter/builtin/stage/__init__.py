"""Before and after: what one stage does to the sound that goes through it."""
