"""Judges of frames: what each one said, and how it was formed."""
