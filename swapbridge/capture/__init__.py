"""Captures as numpy columns, stimulus tracks, log readers and writers."""
