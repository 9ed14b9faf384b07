"""The low-end ledger of a set of parts: what was found, in figures (``result``), in words (``words``), and how."""
