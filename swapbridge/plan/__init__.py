"""The checked plan: its contract, exact integer arithmetic, and the translator that runs it."""
