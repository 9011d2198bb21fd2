"""Language room: what a call that remembers is named by, so that everybody who steps it means the same memory."""

from __future__ import annotations

from fractions import Fraction
from hashlib import sha256

from swapbridge.core.units import Unit
from swapbridge.language.expressions import Call, write

REMEMBERS = frozenset(
    {
        "lowpass", "rate_limit", "hysteresis", "debounce", "hold", "time_since", "rising", "falling", "toggle",
        "delay", "accumulate",
    }
)  # fmt: skip
"""The functions that remember."""
SHOWN = 60


Choices = tuple[tuple[int, str], ...]
"""The choices an expression is wanted among, by raw value."""


def memory_name(call: Call, unit: Unit | None, resolution: Fraction, step: Fraction | None, choices: Choices) -> str:
    """Name of a call's memory: its text, and a digest of that and of what its value is wanted in.

    The same call wanted in two resolutions is two memories, since each rounds in its own steps.
    """
    text = write(call)
    wanted = (text, unit and unit.name, resolution, step, choices)
    return f"{text[:SHOWN]} #{sha256(repr(wanted).encode()).hexdigest()[:8]}"
