"""Inventory, timing, bus load and bit activity of a capture; comparison of two."""
