"""Colour drift: how a passage that was heard earlier has changed in tone since, whoever or whatever changed it."""
