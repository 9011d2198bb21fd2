"""Guides: short pages for the garage and the reference, shown alike in the terminal and on the browser page."""
