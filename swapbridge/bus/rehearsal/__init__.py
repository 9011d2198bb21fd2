"""The same code on virtual buses, without a vehicle."""
