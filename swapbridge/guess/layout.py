"""Guess room: everything about one identifier's layout: multiplexer, counters, checksums, then the cut.

`study` is the costly part, a pure function of one identifier's columns, run in any executor. `lay_out` turns studies
into fields once the vehicle's habits are known from all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Checksum
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guess.checksums import FoundChecksum, find_checksums
from swapbridge.guess.columns import FEW_FRAMES, Columns, sample_pairs
from swapbridge.guess.counters import FoundCounter, find_counters
from swapbridge.guess.cut import Candidate, Cut, Style, best_cut, find_candidates, positions_of
from swapbridge.guess.fields import raw_values
from swapbridge.guess.findings import FoundField
from swapbridge.guess.kinds import field_kind, is_signed

PAIRS_LIMIT = 3000
"""Steps between frames that code lengths are counted over; see `sample_pairs`."""
TEMPER = 0.3
"""Worth of one bit of code length when cuts are compared as probabilities; measured on planted layouts."""


@dataclass(frozen=True, slots=True)
class Study:
    """What the costly part found out about one identifier.

    Attributes
    ----------
    columns : Columns
        The frames.
    live : (8 B,) bool
        Bits that change.
    counters, checksums
        What is exact.
    candidates : tuple of Candidate
        Fields that could be, with the bits that their histories take.
    """

    columns: Columns
    live: npt.NDArray[np.bool_]
    counters: tuple[FoundCounter, ...]
    checksums: tuple[FoundChecksum, ...]
    candidates: tuple[Candidate, ...]


def study(columns: Columns) -> Study:
    """Find counters and checksums of one identifier and the code length of every candidate field."""
    live = columns.live
    nothing = np.zeros(len(live), bool)
    if len(columns) < FEW_FRAMES or not live.any():
        return Study(columns, live, (), (), ())
    candidates = find_candidates(sample_pairs(columns, PAIRS_LIMIT), live, nothing)

    def bits_without(positions: tuple[int, ...]) -> float:
        fixed = np.isin(np.arange(len(live)), positions)
        return best_cut(_clear_of(candidates, fixed), live, fixed, Style(), TEMPER).bits

    checksums = find_checksums(columns, find_counters(columns), bits_without)
    taken = np.zeros(len(live), bool)
    for checksum in checksums:
        taken[list(checksum.positions)] = True
    counters = find_counters(columns, taken)
    for counter in counters:
        taken[list(counter.positions)] = True
    return Study(columns, live, tuple(counters), tuple(checksums), tuple(_clear_of(candidates, taken)))


def _clear_of(candidates: list[Candidate], fixed: npt.NDArray[np.bool_]) -> list[Candidate]:
    return [c for c in candidates if not fixed[list(positions_of(c))].any()]


def house_style(studies: list[Study]) -> Style:
    """The vehicle's habits, from the fields of all identifiers cut without knowing them.

    Makers keep to one byte order; a field whose order the frames leave open is then read in that order.
    """
    count = np.ones(2)
    for s in studies:
        for candidate, sure in zip((c := cut_of(s, Style())).fields, c.probability, strict=True):
            if candidate.crosses:
                count[candidate.order] += sure
    share = np.clip(count / count.sum(), 0.02, 0.98)
    return Style((float(-np.log2(share[0])), float(-np.log2(share[1]))))


def cut_of(s: Study, style: Style) -> Cut:
    """The best cut of what counters and checksums leave."""
    taken = np.zeros(len(s.live), bool)
    for found in (*s.counters, *s.checksums):
        taken[list(found.positions)] = True
    return best_cut(list(s.candidates), s.live, taken, style, TEMPER)


def lay_out(s: Study, style: Style) -> tuple[FoundField, ...]:
    """Fields of one identifier, in payload order."""
    if len(s.columns) < FEW_FRAMES or not s.live.any():
        return ()
    fields = [counter_field(c) for c in s.counters] + [checksum_field(c) for c in s.checksums]
    cut = cut_of(s, style)
    for candidate, sure, margin in zip(cut.fields, cut.probability, cut.margin, strict=True):
        fields.append(_plain_field(s, candidate, sure, margin))
    return tuple(sorted(fields, key=lambda f: min(f.layout.positions)))


def _plain_field(s: Study, candidate: Candidate, sure: float, margin: float) -> FoundField:
    layout = layout_from_positions(positions_of(candidate))
    raw = raw_values(s.columns.payload, layout)
    follows = ~s.columns.breaks
    kind = field_kind(raw, follows, layout.length)
    if kind == "analogue" and layout.length < 64:
        layout = replace(layout, signed=is_signed(raw, follows, layout.length))
    changes = int((np.diff(raw)[follows[1:]] != 0).sum())
    evidence: dict[str, Any] = {"frames": len(s.columns), "changes": changes, "margin_bits": round(margin, 1)}
    return FoundField(
        name=f"field_{layout.start}_{layout.length}",
        layout=layout,
        kind=kind,
        layout_confidence=round(sure, 4),
        confidence=round(sure, 4),
        evidence=evidence,
    )


def counter_field(found: FoundCounter) -> FoundField:
    """A counter as a field."""
    layout = layout_from_positions(found.positions)
    evidence = {"steps": found.steps, "share": round(found.share, 4), "wraps": found.wraps, "by_clock": found.by_clock}
    if found.every > 1:
        evidence["every"] = found.every
    return FoundField(
        name=f"counter_{layout.start}",
        layout=layout,
        kind="counter",
        layout_confidence=0.995,
        confidence=0.995,
        method=found.counter.to_json(),
        evidence=evidence,
    )


def checksum_field(found: FoundChecksum) -> FoundField:
    """A checksum as a field, its method complete enough to compute it again."""
    layout = layout_from_positions(found.positions)
    counter: Layout | None = layout_from_positions(found.counter) if found.counter else None
    method = Checksum(layout, found.method, counter, found.by_counter, found.verified_bits)
    return FoundField(
        name=f"checksum_{layout.start}",
        layout=layout,
        kind="checksum",
        layout_confidence=0.995,
        confidence=0.995,
        method=method.to_json(),
        evidence={"equations": found.equations, "share": round(found.share, 4)},
    )
