"""The bench: simulated bus, faults, requirements, timing analysis, verdicts."""
