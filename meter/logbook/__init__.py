"""The exposure record of each person on disk. Private to this machine."""
