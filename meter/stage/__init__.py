"""Before and after a stage: findings, their words, and the files they are read from."""
