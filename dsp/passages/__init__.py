"""Recognition of passages that played before, and their change of tone."""
