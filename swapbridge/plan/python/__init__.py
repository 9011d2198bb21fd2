"""A plan as a Python translator: code generated only from a checked plan."""
