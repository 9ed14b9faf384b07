"""A mix against references: findings, their words, and the reference files they are read from."""
