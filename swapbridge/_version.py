"""The version: told here once."""

__version__ = "0.1.0"
