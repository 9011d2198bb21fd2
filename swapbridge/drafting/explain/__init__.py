"""Drafting room: the ways in which a field is explained, each in a file of its own."""
