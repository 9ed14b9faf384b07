"""What the low end loses when left and right are folded together, and where it leans."""
