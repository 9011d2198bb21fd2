"""Counters and checksums, proved exactly."""
