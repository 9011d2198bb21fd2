"""Judges of the maps: held against what was measured, and against what every vehicle does."""
