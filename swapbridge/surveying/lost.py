"""Surveying room: frames lost: how many a recording is missing, by rolling counters and by the clock.

A counter shows how many frames are missing except for whole cycles, which only the clock shows. Where an identifier has
no counter the clock alone speaks, and to it a sender that paused looks the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, frame_key, payloads_at
from swapbridge.core.identifier_words import BusIdentifier, format_identifier
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.surveying.silent_bus import Sender, Silence, silences

Ints = npt.NDArray[np.int64]
Counters = Mapping[BusIdentifier, Sequence[tuple[Layout, Counter]]]

SHORTEST_FRAME_NS = 40_000
"""No frame follows another one sooner on any bus (47 bits at 1 Mbit/s, at the least): what a logger wrote at once."""
FEWEST_STEPS = 16
"""An identifier with fewer steps between frames is not judged."""
IN_STEP = 0.9
"""Share of steps that must be as the clock, or the counter, would have them before it is believed."""
CERTAIN = 0.97
"""The same of steps in which the clock says that nothing is missing."""
NEAR = 0.3
"""How far from a whole number of periods a gap may be and still count as one."""
COARSE = 0.05
"""Share of frames that came together with the one before, from which on the clock is too coarse to count by."""
FEW_PAUSES = 5
"""Long pauses from which on the clock must know them."""
SHORT_CYCLE = 8
"""Values of a counter below which it can't say whether the clock is right about a pause."""
MOSTLY = 0.6
SEVERE = 0.2
"""Frames missing by the clock for each that is there, beyond which counters must show that share of loss too."""
LOOKED_AT = 4000
"""Steps in which a plain counter is looked for."""


@dataclass(frozen=True, slots=True)
class IdentifierLoss:
    """Frames of one identifier that are missing between its first and its last.

    Attributes
    ----------
    bus, identifier, extended
        Whose frames these are.
    frames : int
        Frames that the recording holds.
    by_counter : int or None
        Frames that its counter says are missing, whole cycles by the clock; None where it has no counter.
    by_clock : int or None
        Frames that the clock says are missing; None where it is not sent in step, or the clock is too coarse.
    jumps : int
        Steps of the counter that no loss explains: its sender began anew.
    period_ms : float
        Time from one sending to the next; nan where neither counter nor clock shows it.
    """

    bus: str
    identifier: int
    extended: bool
    frames: int
    by_counter: int | None
    by_clock: int | None
    jumps: int
    period_ms: float

    @property
    def lost(self) -> int | None:
        """Frames missing: by the counter, or else by the clock; None where neither shows it."""
        return self.by_clock if self.by_counter is None else self.by_counter

    @property
    def name(self) -> str:
        """Identifier as the command line takes it."""
        return format_identifier(self.identifier, self.extended)

    def to_dict(self) -> dict[str, Any]:
        return {
            "bus": self.bus,
            "id": self.identifier,
            "extended": self.extended,
            "frames": self.frames,
            "by_counter": self.by_counter,
            "by_clock": self.by_clock,
            "jumps": self.jumps,
            "period_ms": None if math.isnan(self.period_ms) else self.period_ms,
        }


@dataclass(frozen=True, slots=True)
class FramesLost:
    """What a recording is missing.

    Attributes
    ----------
    identifiers : tuple of IdentifierLoss
        By bus and identifier, those with enough frames to judge.
    silences : tuple of Silence
        When a whole bus had no frame, and whether it slept or the recording dropped out.
    """

    identifiers: tuple[IdentifierLoss, ...] = ()
    silences: tuple[Silence, ...] = ()

    def of(self, bus: str) -> tuple[IdentifierLoss, ...]:
        """Those of one bus."""
        return tuple(one for one in self.identifiers if one.bus == bus)

    def counted_by(self, bus: str) -> tuple[IdentifierLoss, ...]:
        """Those by which a bus's loss is measured: the ones with a counter, or else those the clock can count."""
        counted = tuple(one for one in self.of(bus) if one.by_counter is not None)
        return counted or tuple(one for one in self.of(bus) if one.by_clock is not None)

    def share(self, bus: str) -> float | None:
        """Share of what was sent on a bus that is missing; None where nothing shows it."""
        counted = self.counted_by(bus)
        lost = sum(one.lost or 0 for one in counted)
        return lost / (lost + sum(one.frames for one in counted)) if counted else None

    def to_dict(self) -> dict[str, Any]:
        return {
            "identifiers": [one.to_dict() for one in self.identifiers],
            "silences": [one.to_dict() for one in self.silences],
        }


def frames_lost(capture: Capture, counters: Counters | None = None) -> FramesLost:
    """Count the frames that a recording is missing, by counters and by the clock.

    Parameters
    ----------
    capture : Capture
        The recording.
    counters : mapping of (bus, identifier, extended) to sequence of (Layout, Counter), optional
        Counters known from a map or from `guess`. In identifiers that are not in it plain ones are looked for: whole
        bytes and nibbles that go up by one.

    Returns
    -------
    FramesLost
        What is missing while a bus slept, or may have slept, is not lost. Empty for a capture without frames.
    """
    known = {} if counters is None else counters
    words, edges, rows = capture.grouped()
    names: list[BusIdentifier] = []
    senders: list[Sender] = []
    counts: list[Counted | None] = []
    for at, word in enumerate(words.tolist()):
        key = frame_key(word)
        names.append((capture.bus_names[key.bus], key.identifier, key.extended))
        mine = rows[edges[at] : edges[at + 1]]
        time_ns = capture.time_ns[mine]
        if (time_ns[1:] < time_ns[:-1]).any():
            order = np.argsort(time_ns, kind="stable")
            mine, time_ns = mine[order], time_ns[order]
        counts.append(None)
        if len(mine) > FEWEST_STEPS:
            payload = payloads_at(capture.payload, mine)[:, : max(1, int(capture.length[mine].max()))]
            counts[-1] = _counted(payload, np.diff(time_ns), known.get(names[-1]))
        senders.append(Sender(key.bus, time_ns, counts[-1] and (counts[-1].place, counts[-1].cycle)))
    silent = tuple(silences(capture, senders))
    start = int(capture.time_ns.min()) if len(capture) else 0
    found = []
    for name, sender, counted in zip(names, senders, counts, strict=True):
        if len(sender.time_ns) > FEWEST_STEPS:
            slept = [s for s in silent if s.bus == name[0] and s.kind != "dropout"]
            found.append(_loss(name, sender.time_ns, counted, _awake(sender.time_ns, start, slept)))
    return FramesLost(tuple(_believed(found)), silent)


def _awake(time_ns: Ints, start: int, slept: Sequence[Silence]) -> npt.NDArray[np.bool_]:
    """Which gaps hold no silence that may have been sleep."""
    awake = np.ones(len(time_ns) - 1, bool)
    for one in slept:
        middle = start + round((one.begin_s + one.end_s) * 5e8)
        at = int(np.searchsorted(time_ns, middle)) - 1
        if 0 <= at < len(awake):
            awake[at] = False
    return awake


def _believed(found: Sequence[IdentifierLoss]) -> Iterator[IdentifierLoss]:
    """What the clock counts where hardly a gap is one period is a sender's own rhythm, unless counters say loss."""
    for one in found:
        others = [o for o in found if o.bus == one.bus and o.by_counter is not None]
        lost, there = sum(o.by_counter or 0 for o in others), sum(o.frames for o in others)
        rhythm = one.by_clock is not None and one.by_clock > MOSTLY * one.frames and lost <= SEVERE * (lost + there)
        yield replace(one, by_clock=None) if rhythm else one


def sendings_between(gap_ns: Ints) -> tuple[Ints, float]:
    """How many sendings each gap spans by the clock alone (1 where nothing was lost), and the period in ns."""
    gap = np.maximum(gap_ns.astype(np.float64), 0.0)
    positive = gap[gap > SHORTEST_FRAME_NS]
    if not len(positive):
        return np.ones(len(gap), np.int64), math.nan
    shortest = float(np.quantile(positive, 0.05))
    near = positive[positive <= 1.5 * shortest]
    period = float(np.median(near)) if len(near) else shortest
    # the shortest cluster gives a first period; all gaps together sharpen it
    count = np.maximum(1, np.rint(positive / period))
    small = count <= 6
    if small.any():
        period = float(positive[small].sum() / count[small].sum())
    return np.maximum(1, np.rint(gap / period)).astype(np.int64), period


class Counted(NamedTuple):
    """What a counter says: its place among its own cycle, sendings each gap spans, which steps no loss explains."""

    place: Ints
    cycle: int
    sendings: Ints
    jumped: npt.NDArray[np.bool_]
    period_ns: float


def count_sendings(value: Ints, gap_ns: Ints, counter: Counter) -> Counted | None:
    """How many sendings each gap spans by a counter, whole cycles by the clock.

    Parameters
    ----------
    value : (N,) int64
        The counter's raw values in time order.
    gap_ns : (N - 1,) int64
        Time from each frame to the next.
    counter : Counter
        How it counts.

    Returns
    -------
    Counted or None
        None where the values do not go as the counter says and the clock agrees.
    """
    span = counter.high - counter.low + 1
    common = math.gcd(counter.step, span)
    cycle = span // common
    if cycle < 3:
        return None
    inverse = pow(counter.step // common, -1, cycle)
    # its place in the cycle: the counter's values in the order in which they come
    place = ((value - counter.low) // common * inverse) % cycle
    advance = np.diff(place) % cycle
    gap = np.maximum(gap_ns.astype(np.float64), 0.0)
    positive = gap[gap > 0]
    if not len(positive):
        return None
    period = float(np.median(positive))
    for _ in range(3):  # frames that came together, and those lost, all count: time over sendings
        sure = gap <= period * cycle / 2
        if not advance[sure].sum():
            return None
        period = float(gap[sure].sum() / advance[sure].sum())
        if period <= 0:
            return None
    for _ in range(3):  # a logger that writes in batches has its time in the long gaps: once those are known, all count
        sendings = (advance + cycle * np.maximum(0, np.rint((gap / period - advance) / cycle))).astype(np.int64)
        plain = sendings <= 4 * cycle
        period = float(gap[plain].sum() / max(1, sendings[plain].sum()))
        if period <= 0:
            return None
    off = np.abs(sendings - gap / period)
    slack = float(np.clip(2 * np.quantile(off, 0.9), 0.75, max(0.75, cycle / 5))) + 0.01 * sendings
    jumped = np.asarray((off > slack) | (np.diff(value) % common != 0))
    if jumped.mean() > 1 - IN_STEP or (sendings == 0).mean() > 1 - IN_STEP:
        return None
    pauses = gap > cycle * period / 2
    # trains of numbered frames with pauses between: a short cycle agrees with any pause, a long one does not
    if pauses.mean() > 0.05 and cycle < SHORT_CYCLE:
        return None
    if pauses.sum() >= FEW_PAUSES and jumped[pauses].mean() > 0.3:
        return None
    return Counted(place, cycle, sendings, jumped, period)


def _counted(
    payload: npt.NDArray[np.uint8], gap: Ints, known: Sequence[tuple[Layout, Counter]] | None
) -> Counted | None:
    """What the counter with the longest cycle says, of those that hold."""
    best: Counted | None = None
    for layout, counter in _plain_counters(payload, gap) if known is None else known:
        counted = count_sendings(_raw(payload, layout), gap, counter) if layout.fits(payload.shape[1]) else None
        if counted is not None and (best is None or counted.cycle > best.cycle):
            best = counted
    return best


def _raw(payload: npt.NDArray[np.uint8], layout: Layout) -> Ints:
    out = np.zeros(len(payload), np.int64)
    for k, p in enumerate(layout.positions):
        out |= (payload[:, p >> 3] >> np.uint8(p & 7) & np.uint8(1)).astype(np.int64) << k
    return out


def _plain_counters(payload: npt.NDArray[np.uint8], gap: Ints) -> list[tuple[Layout, Counter]]:
    """Whole bytes and nibbles that go up by one a sending, all the way round or nearly."""
    looked = payload[: LOOKED_AT + 1]
    sendings, _ = sendings_between(gap[:LOOKED_AT])
    out = []
    for byte in range(payload.shape[1]):
        column = looked[:, byte].astype(np.int64)
        for layout, value in (
            (Layout(8 * byte, 8), column),
            (Layout(8 * byte, 4), column & 15),
            (Layout(8 * byte + 4, 4), column >> 4),
        ):
            old, new = value[:-1], value[1:]
            round_again = new < old
            if not round_again.any():
                continue
            # what stands before it goes round and after it, mostly; where that varies frames are missing there
            ends = np.bincount(old[round_again]), np.bincount(new[round_again])
            if min(end.max() for end in ends) > len(old[round_again]) / 2:
                low, high = int(ends[1].argmax()), int(ends[0].argmax())
            else:
                low, high = 0, (1 << layout.length) - 1
            if low > 1 or high < (1 << layout.length) - 2 or value.max() < high:
                continue
            step = (new - old) % (high - low + 1)
            alone = step[sendings == 1]
            if len(alone) < FEWEST_STEPS // 2 or (alone == 1).mean() < CERTAIN:
                continue  # where nothing is missing it goes on by one, also when it goes round
            if max((step == 1).mean(), (step == sendings % (high - low + 1)).mean()) >= IN_STEP:
                out.append((layout, Counter(low, high)))
                break
    return out


def _loss(name: BusIdentifier, time_ns: Ints, counted: Counted | None, awake: npt.NDArray[np.bool_]) -> IdentifierLoss:
    by_clock, period = _by_clock(np.diff(time_ns)[awake])
    by_counter, jumps = None, 0
    if counted is not None:
        period = counted.period_ns
        by_counter = int(np.maximum(counted.sendings - 1, 0)[awake & ~counted.jumped].sum())
        jumps = int((counted.jumped & awake).sum())
    return IdentifierLoss(*name, len(time_ns), by_counter, by_clock, jumps, period / 1e6)


def _by_clock(gap: Ints) -> tuple[int | None, float]:
    positive = gap[gap > 0]
    if not len(positive) or (gap < 0.1 * np.median(positive)).mean() > COARSE:
        return None, math.nan
    sendings, period = sendings_between(gap)
    near = np.abs(gap / period - sendings) <= NEAR + 0.001 * sendings
    longer = sendings > 1
    # pauses of any length between regular frames are no loss
    if near.mean() < IN_STEP or (longer.sum() >= FEW_PAUSES and near[longer].mean() < IN_STEP - 0.1):
        return None, math.nan
    return int((sendings - 1).sum()), period
