"""Trials on a table: what a gauge shows and what a module needs, found by experiment behind a gate of its own."""
