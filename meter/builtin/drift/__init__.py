"""Tone drift: how the tone of a passage differs from the first time it was heard."""
