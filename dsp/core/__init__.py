"""What every measurement is made of: types, units, filters with memory, frames, windows, saved state."""
