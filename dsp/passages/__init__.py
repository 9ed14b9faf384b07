"""Passages heard before: recognition, and how their tone changed."""
