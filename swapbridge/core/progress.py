"""Core room: what long work tells while it goes on."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]
"""Told the share done (0 to 1) and a few words about what is being done."""
