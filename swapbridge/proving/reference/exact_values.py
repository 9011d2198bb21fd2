"""Proving room: exact values of the bridge's expression language: numbers as fractions, with unit and validity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from swapbridge.core.units import NONE, Unit
from swapbridge.core.vocabulary import is_reserved
from swapbridge.language.bridge_file import SignalOptions
from swapbridge.language.defaults import OTHER_RESOLUTION
from swapbridge.language.memories import Choices
from swapbridge.signalmap.signal_map import MapSignal

TRUTH = Unit("yes or no", "yes or no")
ZERO, ONE = Fraction(0), Fraction(1)
NO_YES = (ZERO, ONE)
"""A truth as a number, by itself."""


class Exact(NamedTuple):
    """A value: a number in `unit`, a truth (0 or 1), or a choice (its raw value).

    `fixed` marks what comes from constants alone; products and quotients with such need no rounding. A tuple, since
    it is made millions of times in a proof and takes a third of the time that a frozen dataclass takes.
    """

    number: Fraction
    unit: Unit = NONE
    valid: bool = True
    choices: Mapping[int, str] | None = None
    is_choice: bool = False
    fixed: bool = False

    def into(self, unit: Unit) -> Fraction:
        """The number in another unit of its kind."""
        if self.unit is unit or self.unit == unit:
            return self.number
        scale, offset = self.unit.conversion(unit)
        return self.number * scale + offset


@dataclass(frozen=True, slots=True)
class Purpose:
    """What an expression is for: the target's unit, its resolution there, its step, its choices."""

    unit: Unit | None = None
    resolution: Fraction = OTHER_RESOLUTION
    step: Fraction | None = None
    choices: Mapping[int, str] | None = None

    @property
    def look_up_key(self) -> tuple[Unit | None, Fraction, Fraction | None, Choices]:
        """All of it, for a look-up."""
        return self.unit, self.resolution, self.step, tuple(sorted((self.choices or {}).items()))

    def resolution_in(self, unit: Unit) -> Fraction:
        """Resolution of a value in that unit."""
        if self.unit is not None and self.unit.kind == unit.kind:
            return self.resolution * self.unit.factor / unit.factor
        return OTHER_RESOLUTION


PLAIN = Purpose()


class Reading(NamedTuple):
    """A source signal now: its map entry, what the bridge file adds, its raw value, whether its message is fresh."""

    signal: MapSignal
    options: SignalOptions
    bus: str
    raw: int
    fresh: bool


def between(value: Fraction, low: Fraction, high: Fraction) -> Fraction:
    """`min(max(value, low), high)`, without what `Fraction` asks about its partner at every comparison."""
    if value.numerator * low.denominator < low.numerator * value.denominator:
        value = low
    return high if high.numerator * value.denominator < value.numerator * high.denominator else value


def nearest(value: Fraction | int) -> int:
    """The nearest integer, halves away from zero."""
    top, bottom = value.numerator, value.denominator
    return (2 * top + bottom) // (2 * bottom) if top >= 0 else -((bottom - 2 * top) // (2 * bottom))


def on(grid: Fraction, value: Fraction) -> Fraction:
    """The nearest multiple of a grid, halves away from zero."""
    return nearest(value / grid) * grid


def reserved(signal: MapSignal) -> frozenset[int]:
    """Raw values that are no measurement."""
    named = {raw for raw, name in signal.choices.items() if is_reserved(name)}
    return frozenset(named | {*signal.not_available, *signal.error_codes})


def lists_choices(signal: MapSignal) -> bool:
    """Whether a signal is a list of named states rather than a number."""
    named = [raw for raw, name in signal.choices.items() if not is_reserved(name)]
    return len(named) >= 2 and not signal.unit and signal.scale == 1 and signal.offset == 0
