"""Judges of the recordings: whether they can support a verdict."""
