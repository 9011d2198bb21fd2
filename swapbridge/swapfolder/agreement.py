"""Swap folder room: two plans played on the same recordings, and compared signal by signal through one map.

So a drafted bridge is counted against one written by hand: what both send is decoded by the map of the one written by
hand, wherever the draft put its own signals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import Layout
from swapbridge.drafting.recorded_vehicle import raw_series
from swapbridge.emit.native import SentColumns
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from swapbridge.swapfolder.reviewing import play

ALIKE = 0.95
"""Two plans say the same where this share of frames does."""
NEAR = 0.02
QUIET_US, AGAIN_US = 150_000, 600_000
"""A bus that is quiet for the first, and until the second after it speaks again, is left out: safe answers differ."""
LATE_US = 60_000
"""One plan may be about this much later than the other: both send by their own clocks."""


@dataclass(frozen=True, slots=True)
class SignalAgreement:
    """One signal of the plan that is counted against: the share of its frames in which the other plan says the same.

    Attributes
    ----------
    bus, message, signal : str
        As the map of the plan that is counted against names them.
    word : int
        The message's identifier word.
    layout : Layout
    share : float
        The mean of the shares at the value it has most often and away from it, so that a request made now and then
        counts as much as none; 0 where the other plan does not send the message.
    moves : bool
        Whether it takes more than one value here.
    """

    bus: str
    message: str
    word: int
    signal: str
    layout: Layout
    share: float
    moves: bool

    @property
    def alike(self) -> bool:
        """Whether both agree nearly always."""
        return self.share >= ALIKE


def agreement(
    truth: Plan, other: Plan, maps: Mapping[str, SignalMap], captures: Mapping[str, Capture]
) -> list[SignalAgreement]:
    """Every signal that `truth` makes, beside what `other` makes of the same recordings.

    Counters and checksums are left out: each plan numbers its own frames.

    Parameters
    ----------
    truth, other : Plan
        With buses of the same names.
    maps : mapping of str to SignalMap
        By bus name, of `truth`.
    captures : mapping of str to Capture
        By bus name.

    Returns
    -------
    list of SignalAgreement
        Empty where nothing can be played (no recordings, no C compiler).
    """
    mine, theirs = play(truth, captures), play(other, captures)
    if mine is None or theirs is None:
        return []
    numbers = {bus.name: n for n, bus in enumerate(other.buses)}
    quiet = _quiet(captures)
    out = []
    for send in truth.sends:
        bus = truth.buses[send.bus].name
        message = maps[bus].by_word(send.word)
        if message is None:
            continue
        a, b = _frames(mine, send.bus, send.word), _frames(theirs, numbers.get(bus, -1), send.word)
        a = _spoken(a, quiet)
        for signal in _plain(message):
            out.append(SignalAgreement(bus, message.name, send.word, signal.name, signal.layout, *_share(a, b, signal)))
    return out


def _plain(message: MapMessage) -> list[MapSignal]:
    return [s for s in message.signals if s.counter is None and s.checksum is None]


def _frames(sent: SentColumns, bus: int, word: int) -> tuple[Any, Any]:
    rows = np.flatnonzero((sent.bus == bus) & (sent.word == word))
    return sent.time_us[rows].astype(np.int64), sent.payload[rows]


def _quiet(captures: Mapping[str, Capture]) -> list[tuple[int, int]]:
    """Stretches in which one of the buses is quiet, or has just begun to speak, from the recordings' beginnings."""
    out = []
    end = max(int(c.time_ns.max() - c.time_ns[0]) // 1000 for c in captures.values())
    for capture in captures.values():
        at = np.sort((capture.time_ns - capture.time_ns[0]) // 1000)
        edges = np.concatenate((at, [end + QUIET_US]))
        for n in np.flatnonzero(np.diff(edges) >= QUIET_US):
            out.append((int(edges[n]), int(edges[n + 1]) + AGAIN_US))
        out.append((0, AGAIN_US))
    return out


def _spoken(frames: tuple[Any, Any], quiet: list[tuple[int, int]]) -> tuple[Any, Any]:
    """Frames outside of these stretches; all of them where nothing is left, as for what is sent on waking."""
    keep = np.ones(len(frames[0]), dtype=bool)
    for begin, end in quiet:
        keep &= (frames[0] < begin) | (frames[0] > end)
    return (frames[0][keep], frames[1][keep]) if keep.any() else frames


def _share(a: tuple[Any, Any], b: tuple[Any, Any], signal: MapSignal) -> tuple[float, bool]:
    """Share of frames alike, the other's taken as it then was or a little later; and whether it moves."""
    mine = raw_series(a[1], signal.layout)
    moves = bool(len(mine)) and bool((mine != mine[0]).any())
    if not len(mine) or not len(b[0]):
        return 0.0, moves
    theirs = raw_series(b[1], signal.layout)
    near = max(1.0, NEAR * float(np.ptp(mine))) if signal.layout.length > 2 and not signal.choices else 0.0
    alike = np.zeros(len(mine), dtype=bool)
    for shift in range(-LATE_US // 2, 2 * LATE_US + 1, LATE_US // 6):
        at = np.searchsorted(b[0], a[0] + shift, "right") - 1
        theirs_at = theirs[np.maximum(at, 0)]
        alike |= (at >= 0) & (np.abs(theirs_at - mine) <= near)
    values, counts = np.unique(mine, return_counts=True)
    rests = mine == values[counts.argmax()]
    if rests.all():
        return float(alike.mean()), moves
    return float(alike[rests].mean() + alike[~rests].mean()) / 2, moves
