"""The bridge file: its places, its model, reading it, and the expression language."""
