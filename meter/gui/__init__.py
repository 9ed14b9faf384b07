"""The window: page, pickers, draw clock, scales, theme. Numbers come from readings; none are made here."""
