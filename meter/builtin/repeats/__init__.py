"""Fair or not from the mix alone, while a loop plays and a bypass is flipped."""
