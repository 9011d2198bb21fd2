"""The simulated buses, their traffic and nodes."""
