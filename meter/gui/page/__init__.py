"""The page: layout, cards, menus."""
