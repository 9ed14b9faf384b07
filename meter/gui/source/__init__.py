"""Choosing a source, naming its feeds, and the feed line."""
