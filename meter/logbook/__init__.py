"""What was heard, kept on disk: the exposure ledger of each person. Private to this machine."""
