"""Judging a plan on the bench: simulated buses, the exact reference, judges, faults, verdict."""
