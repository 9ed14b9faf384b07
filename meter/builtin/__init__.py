"""Our own meters, one folder each. This list, and nothing that is installed, says which meters are ours."""

OURS = (
    "vu", "peaks", "loudness", "stereo", "mono_lows", "spectrum", "listening", "drift", "low_end", "stage",
    "repeats", "lane",
    "channels",
)  # fmt: skip
