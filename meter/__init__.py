"""Earwitness: real-time metering beside the DAW. The rooms and who may import whom: DEVELOPERS.md."""
