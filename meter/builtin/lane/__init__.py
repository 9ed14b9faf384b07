"""The mix against references: what is outside the lane of up to five reference files."""
