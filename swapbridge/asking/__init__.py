"""Asking room: what the modules themselves say: fault codes, read and never cleared."""
