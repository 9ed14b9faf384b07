"""Things several tests share."""
