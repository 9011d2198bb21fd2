"""Judges of runs: moments, faults, the closed loop, real time."""
