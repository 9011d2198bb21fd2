"""Swapbridge: the CAN bus translation-layer toolkit for engine swaps."""

__version__ = "0.1.0"
