"""A mix against references: one-second sections, the account of a stretch, and the lane of several references."""
