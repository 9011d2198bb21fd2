"""Surveying room: a silent bus: whether it slept, or the recording dropped out while its senders went on.

Senders that went on stop and begin again all at once, each within its own period, in the same rhythm as before and
with their counters as far on as the clock says. Those that woke begin one after the other, in a new rhythm, counting
from the start. Each of these is weighed in bits for every sender; where they do not add up, nothing is claimed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture

Ints = npt.NDArray[np.int64]
SilenceKind = Literal["dropout", "asleep", "unclear"]

SLEEP_S = 1.0
"""A bus without any frame for this long is silent."""
DUE = 50
"""A shorter silence in which so many frames were due is looked at too: a stall of the logger."""
SHORTEST_S = 0.05
DECISIVE_BITS = 6.0
"""Evidence either way that is needed to say which."""
HISTORY = 200
"""Frames before a silence from which a sender's rhythm is known."""
STEADY = 0.1
"""Jitter, in periods, up to which a rhythm can be recognised again after the silence."""
AGAINST = -3.0
"""Bits that speak against a dropout where a sender does what it would not do in one."""
APART_S = 0.002
"""The sender that is heard first, or was heard last, marks the silence and so says nothing; nor do those beside it."""


class Sender(NamedTuple):
    """One identifier: its bus's number, its times in order, and its counter's place in its cycle, with the cycle."""

    bus: int
    time_ns: Ints
    place: tuple[Ints, int] | None = None


@dataclass(frozen=True, slots=True)
class Silence:
    """A span in which a bus had no frame.

    Attributes
    ----------
    bus : str
    begin_s, end_s : float
        Last frame before and first frame after, seconds since the capture's first frame.
    kind : {"dropout", "asleep", "unclear"}
        The recording missed frames; the bus slept; not clear from the frames.
    bits : float
        Evidence for a dropout (for sleep where negative).
    due : int
        Frames that would have been sent at the bus's usual pace.
    """

    bus: str
    begin_s: float
    end_s: float
    kind: SilenceKind
    bits: float
    due: int

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return self.end_s - self.begin_s

    def to_dict(self) -> dict[str, Any]:
        return {
            "bus": self.bus,
            "begin_s": self.begin_s,
            "end_s": self.end_s,
            "kind": self.kind,
            "bits": round(self.bits, 1),
            "due": self.due,
        }


def silences(capture: Capture, senders: Sequence[Sender]) -> Iterator[Silence]:
    """Silences of every bus in time order: those of `SLEEP_S` and longer, and shorter ones that are dropouts.

    Parameters
    ----------
    capture : Capture
        The recording.
    senders : sequence of Sender
        Its identifiers; those with a counter show more.
    """
    if not len(capture):
        return
    start = int(capture.time_ns.min())
    for number, name in enumerate(capture.bus_names):
        time = capture.time_ns if len(capture.bus_names) == 1 else capture.time_ns[capture.bus == number]
        if (time[1:] < time[:-1]).any():
            time = np.sort(time)
        mine = [s for s in senders if s.bus == number]
        for begin, end, due in _gaps(time):
            bits = evidence(mine, begin, end)
            kind: SilenceKind = (
                "dropout" if bits >= DECISIVE_BITS else "asleep" if bits <= -DECISIVE_BITS else "unclear"
            )
            if kind == "dropout" or end - begin >= SLEEP_S * 1e9:
                yield Silence(name, (begin - start) / 1e9, (end - start) / 1e9, kind, bits, due)


def _gaps(time: Ints) -> Iterator[tuple[int, int, int]]:
    """Begin, end and frames due of the gaps worth a look."""
    gap = np.diff(time)
    if not len(gap):
        return
    awake = float(gap[gap < SLEEP_S * 1e9].sum())
    pace = len(gap) / awake if awake else 0.0
    shortest = min(SLEEP_S * 1e9, max(SHORTEST_S * 1e9, DUE / pace if pace else np.inf))
    for at in np.flatnonzero(gap >= shortest).tolist():
        yield int(time[at]), int(time[at + 1]), round(float(gap[at]) * pace)


def evidence(senders: Sequence[Sender], begin: int, end: int) -> float:
    """Bits that speak for a dropout between two times (nanoseconds), against the bus having slept."""
    total = 0.0
    went_on = began_anew = asked = late = 0
    for sender in senders:
        at = int(np.searchsorted(sender.time_ns, begin, side="right"))
        if not 8 <= at < len(sender.time_ns):
            continue
        before = sender.time_ns[max(0, at - HISTORY) : at]
        gaps = np.diff(before)
        usual = float(np.quantile(gaps, 0.95))
        if usual <= 0 or end - begin < 3 * usual:
            continue
        bits = 0.0
        last, first = int(before[-1]), int(sender.time_ns[at])
        if begin - last > APART_S * 1e9:
            bits += 0.7 if begin - last <= 1.3 * usual else AGAINST
        if first - end > APART_S * 1e9:
            in_time = first - end <= 1.3 * usual
            bits += 1.5 if in_time else AGAINST
            asked, late = asked + 1, late + (not in_time)
        period, jitter = _rhythm(gaps)
        spans = (first - last) / period if period else 0.0
        drift = spans * jitter / max(len(gaps), 1) + 1e-5 * spans
        if period and jitter <= STEADY and drift <= STEADY:
            bits += 1.7 if abs(spans - round(spans)) <= 2 * STEADY else AGAINST
        if sender.place is not None and period and drift <= 0.25:
            place, cycle = sender.place
            counted = int(place[at] - place[at - 1]) % cycle
            off = abs((counted - round(spans) + cycle // 2) % cycle - cycle // 2)
            if off <= 1:
                went_on += 1
                bits += float(np.log2(cycle / 3)) if cycle > 3 else 0.0
            else:
                began_anew += 1
                bits += AGAINST
        total += bits
    # a counter that began anew stands by chance where it would have stood, in one of five; where more do, and no half
    # of the senders was late, sleep is not claimed
    if total < 0 and went_on > 2 + 0.4 * (went_on + began_anew) and late < asked / 2:
        return 0.0
    return total


def _rhythm(gaps: Ints) -> tuple[float, float]:
    """Period of a sender in step without losses, and its jitter as a share of it; 0 and 1 where it is not in step."""
    middle = float(np.median(gaps))
    if middle <= 0:
        return 0.0, 1.0
    steady = np.abs(gaps - middle) <= 0.3 * middle
    if steady.mean() < 0.95:
        return 0.0, 1.0
    period = float(gaps[steady].mean())
    return period, float(np.quantile(np.abs(gaps[steady] - period), 0.9)) / period
