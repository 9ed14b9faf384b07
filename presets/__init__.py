"""Data only, never code: page layouts, alignments, delivery briefs, exposure rules, one folder of TOML each.

This file makes the folder a package, so that ``importlib.resources`` finds it in an editable checkout too.
"""
