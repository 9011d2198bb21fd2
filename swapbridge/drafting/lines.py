"""Drafting room: sources for rules: the name of each in a bridge file, and its values on the recording at hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from swapbridge.drafting.drafted import How
from swapbridge.drafting.recorded_vehicle import Floats, VehicleSeries


@dataclass(frozen=True, slots=True)
class DraftLine:
    """A measured quantity that an expression may use, on the recording where the target was seen.

    `text` is its expression (a signal's full name); `plain` the same as a plain number. `step` is how fine the one
    that will be there is, `channel` what it measures ("" where not known).
    """

    text: str
    plain: str
    unit: str
    series: VehicleSeries
    step: float
    channel: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class Atom:
    """A condition that an expression may use: its text and whether it holds, in time.

    `text` is None for what is only known in a recording (what a person said), which links two vehicles but can't be
    sent. `bits` is what it costs to write.
    """

    text: str | None
    series: VehicleSeries
    bits: float
    key: str
    how: How
    words: str = ""
    quantities: frozenset[str] = field(default=frozenset())
    learned: tuple[DraftLine, ...] = ()
    """Lines that it compares with thresholds learned from a recording."""

    def at(self, times: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        return self.series.at(times) > 0.5

    def negated(self) -> Atom:
        """The opposite condition."""
        text = None if self.text is None else f"not ({self.text})"
        return Atom(
            text, VehicleSeries(self.series.time_s, 1 - self.series.value), self.bits + 1, f"not {self.key}", self.how,
            f"not {self.words}", self.quantities, self.learned,
        )  # fmt: skip


def median(values: Floats) -> float:
    """What numpy.median gives of some values, in a fraction of the time that it takes for few."""
    middle = len(values) // 2
    parted = np.partition(values, middle)
    return float(parted[middle] if len(values) % 2 else (parted[:middle].max() + parted[middle]) / 2)


def number_text(value: float, digits: int = 6) -> str:
    """A decimal number as a bridge file writes it, to so many significant digits."""
    if value == 0 or not np.isfinite(value):
        return "0"
    exact = Fraction(f"{value:.{digits}g}")
    text = f"{float(exact):.{max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
