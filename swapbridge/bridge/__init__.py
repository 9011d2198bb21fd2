"""The bridge file, its language and checks, the plan, the Python translator: no numpy, I/O, clock or floats."""
