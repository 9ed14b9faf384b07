"""Chain of meters, DSP loop, engine process, shared snapshot, supervisor. No Qt in here."""
