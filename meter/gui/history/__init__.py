"""The day: what was recorded, drawn over time. It reads the day record and needs no engine."""
