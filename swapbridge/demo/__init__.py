"""Two invented vehicles and their physics, for the tour and the tests."""
