"""Expressions lowered to exact integer operations."""
