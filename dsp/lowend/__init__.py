"""The low end of parts and mix: owners, lowest notes, decay, high-pass price, kick and bass."""
