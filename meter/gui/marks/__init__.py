"""Marks in the window: the line below the page, the list, and what the keys do."""
