"""What one stage does: the sound before it and the sound after it, lined up."""
