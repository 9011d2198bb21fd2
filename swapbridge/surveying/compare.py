"""Surveying room: `compare`, what changed between two captures, identifier by identifier and bit by bit.

What a shorter or quieter capture could have missed by chance is kept apart from what surely changed: an identifier (or
a bit's movement) counts as gone only where at least `ENOUGH` of it were due.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.identifier_words import BusIdentifier
from swapbridge.core.progress import Progress
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.survey_result import BusSurvey, IdentifierSurvey, Survey

ENOUGH = 5.0
"""Events due in a stretch for their absence to mean something: with a steady mean of five, none at all happens in
fewer than 1 of 100 stretches (Poisson, exp(-5))."""
_PERIOD_SHARE = 0.10
"""Period changes below this share are the tolerance of two clocks and of a sender's own timing."""
_SIGMAS = 4.0

ChangeKind = Literal["period", "length", "moving", "still", "value"]


@dataclass(frozen=True, slots=True)
class BusChange:
    """One thing about an identifier that is not as it was.

    Attributes
    ----------
    kind : {"period", "length", "moving", "still", "value"}
        "moving": bits that stood still now change; "still": the other way round; "value": bits that stand still in
        both have another value.
    words : str
        What changed, in words.
    mask : bytes
        The bits it is about, for the last three kinds.
    sure : bool
        Whether the captures are long enough to rule out chance.
    """

    kind: ChangeKind
    words: str
    mask: bytes = b""
    sure: bool = True


@dataclass(frozen=True, slots=True)
class IdentifierChange:
    """An identifier that is in both captures, and how it differs."""

    before: IdentifierSurvey
    after: IdentifierSurvey
    changes: tuple[BusChange, ...]


@dataclass(frozen=True, slots=True)
class Missing:
    """An identifier that only one of the captures has.

    Attributes
    ----------
    identifier : IdentifierSurvey
        As the capture that has it saw it.
    due : float
        Frames that the other capture should have held, were it sent there the same way.
    sure : bool
        Whether that is enough to say that it is not sent there.
    """

    identifier: IdentifierSurvey
    due: float
    sure: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """What `compare` found; `appeared`, `vanished` and `changed` are in order of bus and identifier."""

    a: Survey
    b: Survey
    appeared: tuple[Missing, ...]
    vanished: tuple[Missing, ...]
    changed: tuple[IdentifierChange, ...]
    same: int
    remarks: tuple[str, ...] = ()

    def with_integrity(
        self,
        in_a: Mapping[BusIdentifier, tuple[str, ...]],
        in_b: Mapping[BusIdentifier, tuple[str, ...]],
    ) -> Comparison:
        """The same, counters and checksums of what vanished and appeared as a thorough search found them."""
        return replace(
            self,
            vanished=tuple(_with_words(one, in_a) for one in self.vanished),
            appeared=tuple(_with_words(one, in_b) for one in self.appeared),
        )

    def to_dict(self) -> dict[str, Any]:
        return {
            "version": 1,
            "a": self.a.source,
            "b": self.b.source,
            "appeared": [_missing_dict(one) for one in self.appeared],
            "vanished": [_missing_dict(one) for one in self.vanished],
            "changed": [
                {
                    "bus": one.after.bus,
                    "id": one.after.identifier,
                    "extended": one.after.extended,
                    "changes": [
                        {"kind": c.kind, "words": c.words, "mask": c.mask.hex().upper(), "sure": c.sure}
                        for c in one.changes
                    ],
                }
                for one in self.changed
            ],
            "same": self.same,
            "remarks": list(self.remarks),
        }


def _with_words(one: Missing, words: Mapping[BusIdentifier, tuple[str, ...]]) -> Missing:
    seen = one.identifier
    return replace(one, identifier=replace(seen, hints=words.get(seen.key, seen.hints)))


def _missing_dict(one: Missing) -> dict[str, Any]:
    return {**one.identifier.to_dict(), "due_in_the_other": one.due, "sure": one.sure}


def compare(
    a: Capture, b: Capture, *, bit_rate: int | Mapping[str, int] = 500_000, progress: Progress | None = None
) -> Comparison:
    """What changed from capture `a` to capture `b`.

    Buses are matched by name; two captures of one bus each are matched whatever the names.

    Parameters
    ----------
    a, b : Capture
        The two recordings.
    bit_rate : int or mapping of bus name to int
        Bit rate in bit/s, for the bus load.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.

    Returns
    -------
    Comparison
        Identifiers that vanished, appeared or changed, with both inventories.

    Raises
    ------
    InputError
        A capture has no frames.
    """

    def half(begin: float, words: str) -> Progress | None:
        report = progress
        if report is None:
            return None
        return lambda share, doing: report(begin + share / 2, f"{words}: {doing}")

    return compare_surveys(
        survey(a, bit_rate=bit_rate, progress=half(0.0, "first")),
        survey(b, bit_rate=bit_rate, progress=half(0.5, "second")),
    )


def compare_surveys(a: Survey, b: Survey) -> Comparison:
    """`compare` for captures that were surveyed before."""
    remarks = [f"{one.source}: {remark}" for one in (a, b) for remark in one.remarks]
    one_each = len(a.buses) == len(b.buses) == 1
    if one_each and a.buses[0].name != b.buses[0].name:
        remarks.append(
            f"bus {a.buses[0].name} of the first capture is compared with bus {b.buses[0].name} of the second"
        )
    elif not {bus.name for bus in a.buses} & {bus.name for bus in b.buses}:
        names = [", ".join(bus.name for bus in one.buses) for one in (a, b)]
        remarks.append(f"no bus has the same name in both ({names[0]}; {names[1]}): nothing could be matched")

    def keyed(one: Survey) -> dict[tuple[str, bool, int], IdentifierSurvey]:
        return {("" if one_each else i.bus, i.extended, i.identifier): i for i in one.identifiers}

    def awake(one: Survey) -> dict[str, BusSurvey]:
        return {"" if one_each else bus.name: bus for bus in one.buses}

    in_a, in_b = keyed(a), keyed(b)
    bus_a, bus_b = awake(a), awake(b)
    vanished = tuple(_missing(one, bus_a[key[0]], bus_b.get(key[0])) for key, one in in_a.items() if key not in in_b)
    appeared = tuple(_missing(one, bus_b[key[0]], bus_a.get(key[0])) for key, one in in_b.items() if key not in in_a)
    changed, same = [], 0
    for key, before in in_a.items():
        after = in_b.get(key)
        if after is None:
            continue
        changes = tuple(_changes(before, after, bus_a[key[0]].awake_s, bus_b[key[0]].awake_s))
        if changes:
            changed.append(IdentifierChange(before, after, changes))
        else:
            same += 1
    return Comparison(a, b, appeared, vanished, tuple(changed), same, tuple(remarks))


def _missing(one: IdentifierSurvey, own: BusSurvey, other: BusSurvey | None) -> Missing:
    if other is None:
        return Missing(one, 0.0, False)
    if one.sending == "wake-up":
        # due once a wake-up: that the other capture saw one is certain only where its bus woke from sleep in it
        wakes = len(other.asleep)
        return Missing(one, one.frames / (len(own.asleep) + 1) * wakes, wakes > 0)
    due = one.frames / max(own.awake_s, 1e-3) * other.awake_s
    return Missing(one, due, due >= ENOUGH)


def _changes(before: IdentifierSurvey, after: IdentifierSurvey, awake_a: float, awake_b: float) -> list[BusChange]:
    out = []
    period = _period_change(before, after, awake_a, awake_b)
    if period:
        out.append(period)
    sizes_a, sizes_b = dict(before.lengths), dict(after.lengths)
    if set(sizes_a) != set(sizes_b):
        sure = before.length != after.length or min(before.frames, after.frames) >= 2 * ENOUGH
        words = f"length {_sizes(sizes_a)} → {_sizes(sizes_b)} bytes"
        out.append(BusChange("length", words, sure=sure))
    return out + _bit_changes(before, after)


def _sizes(sizes: dict[int, int]) -> str:
    return " or ".join(str(size) for size in sorted(sizes))


def _period_change(
    before: IdentifierSurvey, after: IdentifierSurvey, awake_a: float, awake_b: float
) -> BusChange | None:
    stepping = ("cyclic", "mixed")
    if "wake-up" in (before.sending, after.sending):
        return None
    if before.sending in stepping and after.sending in stepping:
        error = math.hypot(before.jitter_ms / math.sqrt(before.frames), after.jitter_ms / math.sqrt(after.frames))
        difference = abs(after.period_ms - before.period_ms)
        if difference <= max(_PERIOD_SHARE * before.period_ms, _SIGMAS * error):
            return None
        return BusChange("period", f"period {before.period_ms:.4g} → {after.period_ms:.4g} ms")
    # sent when something happens, at least in one of them: rates, counted as a Poisson process would be
    rate_a, rate_b = before.frames / max(awake_a, 1e-3), after.frames / max(awake_b, 1e-3)
    error = math.hypot(math.sqrt(before.frames) / max(awake_a, 1e-3), math.sqrt(after.frames) / max(awake_b, 1e-3))
    if max(rate_a, rate_b) < 2 * min(rate_a, rate_b) or abs(rate_a - rate_b) <= _SIGMAS * error:
        return None
    return BusChange("period", f"{rate_a:.3g} → {rate_b:.3g} frames a second")


def _bit_changes(before: IdentifierSurvey, after: IdentifierSurvey) -> list[BusChange]:
    size = min(len(before.payload), len(after.payload))
    flips_a, flips_b = before.flips[: 8 * size], after.flips[: 8 * size]
    # flips due in the one capture at the rate of the other
    due_a = flips_b / max(after.frames - 1, 1) * (before.frames - 1)
    due_b = flips_a / max(before.frames - 1, 1) * (after.frames - 1)
    value_a = np.unpackbits(np.frombuffer(before.payload[:size], np.uint8), bitorder="little")
    value_b = np.unpackbits(np.frombuffer(after.payload[:size], np.uint8), bitorder="little")
    out = []
    moving = (flips_a == 0) & (flips_b > 0)
    for bits, sure in ((moving & (due_a >= ENOUGH), True), (moving & (due_a < ENOUGH), False)):
        if bits.any():
            times = int(flips_b[bits].max())
            out.append(BusChange("moving", f"{bit_words(bits)} now moving ({_times(times)})", _mask(bits), sure))
    still = (flips_a > 0) & (flips_b == 0) & (due_b >= ENOUGH)
    if still.any():
        out.append(BusChange("still", f"{bit_words(still)} no longer moving", _mask(still)))
    value = (flips_a == 0) & (flips_b == 0) & (value_a != value_b)
    if value.any():
        mask = _mask(value)
        parts = [
            f"byte {at}: {before.payload[at]:02X} → {after.payload[at]:02X}"
            + (f" (bits {m:02X})" if m != before.payload[at] ^ after.payload[at] else "")
            for at, m in enumerate(mask)
            if m
        ]
        out.append(BusChange("value", "; ".join(parts), mask, min(before.frames, after.frames) >= 2))
    return out


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count:,} times"


def _mask(bits: np.ndarray[Any, np.dtype[np.bool_]]) -> bytes:
    return np.packbits(bits, bitorder="little").tobytes()


def bit_words(bits: np.ndarray[Any, np.dtype[np.bool_]]) -> str:
    """Bits by byte, in the numbering of DBC: ``byte 2 bits 0-3, bytes 4-5``."""
    rows = bits.reshape(-1, 8)
    words: list[str] = []
    at = 0
    while at < len(rows):
        if rows[at].all():
            end = at
            while end + 1 < len(rows) and rows[end + 1].all():
                end += 1
            words.append(f"byte {at}" if end == at else f"bytes {at}-{end}")
            at = end
        elif rows[at].any():
            words.append(f"byte {at} {_ranges(np.flatnonzero(rows[at]).tolist())}")
        at += 1
    return ", ".join(words)


def _ranges(places: list[int]) -> str:
    runs: list[list[int]] = []
    for place in places:
        if runs and runs[-1][-1] == place - 1:
            runs[-1].append(place)
        else:
            runs.append([place])
    words = "/".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)
    return f"{'bit' if len(places) == 1 else 'bits'} {words}"
