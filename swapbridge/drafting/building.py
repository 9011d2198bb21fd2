"""Drafting room: a vehicle from its recording: what guess found, cut and joined into the fields of each message."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, FrameKey
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier
from swapbridge.core.integrity import Affine, Checksum, Counter, Crc, Sum, checksum_from_dict, counter_from_dict
from swapbridge.core.layout import ByteOrder, Layout, layout_from_positions
from swapbridge.core.vocabulary import channel_role
from swapbridge.drafting.recorded_vehicle import (
    ASLEEP_S,
    Floats,
    Ints,
    Pages,
    ValueKind,
    Vehicle,
    VehicleField,
    VehicleMessage,
    moved_bits,
    period_of,
    plain_track,
    plain_unit,
    raw_series,
    spans,
)
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage

MOST_CHOICES = 16
MOST_SPARE_BITS = 4
"""How many still bits above a measured value are taken for its upper end, at most."""
STILL_BETWEEN = 2
"""With so many still bits between them, bits of a choice are two fields."""
LEAST_STEPS = 3
STEPS_BY_ONE = 0.85
FALLS_BACK = 0.7
LEAST_CARRIES = 2
"""Changes of a bit at each of which the value below it goes from one end to the other, so that both move by one."""
LEAST_CHANGES, MOST_FLAG_FLIPS = 30, 0.1
"""A lowest bit flips at every other change above it: at 3 or fewer of 30 once in 200,000 times."""
STAYS, STAYS_SHARE = 0.05, 0.9
MOST_TURNS, IN_TURN = 64, 0.97
"""The longest order of pages looked for; the share of frames that keep to it where none is missing."""
COUNTS = 0.9
"""A counter makes its own step in this share of the frames that follow each other."""


def build_vehicle(
    bus: str, capture: Capture, findings: Findings, track: StimulusTrack | None, at_s: float = 0.0
) -> Vehicle:
    """A vehicle from its recording, what `guess` found in it, and its stimulus track (on the capture's clock)."""
    track = None if track is None else plain_track(track)
    times = capture.time_ns / 1e9
    start = (float(times.min()) if len(times) else 0.0) - at_s
    found = {(m.identifier, m.extended): m for m in findings.messages}
    messages: dict[tuple[int, bool], VehicleMessage] = {}
    for key, rows in capture.groups():
        lengths = np.bincount(capture.length[rows])
        length = int(lengths.argmax())
        rows = rows[capture.length[rows] == length]
        if length == 0:
            continue
        message = found.get((key.identifier, key.extended))
        messages[key.identifier, key.extended] = _message(
            key, length, times[rows] - start, capture.payload[rows][:, :length], message
        )
    every = np.sort(times - start)
    return Vehicle(bus, messages, spans(every, ASLEEP_S), track, start)


def _message(
    key: FrameKey, length: int, times: Floats, payload: npt.NDArray[np.uint8], found: FoundMessage | None
) -> VehicleMessage:
    counter: tuple[Layout, Counter, float] | None = None
    checksum: tuple[Checksum, float] | None = None
    chooser: FoundField | None = None
    open_fields: list[FoundField] = []
    counted: list[tuple[float, FoundField]] = []
    for one in found.fields if found is not None else ():
        if one.kind == "counter" and one.method is not None:
            counted.append((_counts(times, raw_series(payload, one.layout), counter_from_dict(one.method)), one))
        elif one.kind == "checksum" and one.method is not None:
            checksum = (_whole(checksum_from_dict(one.method)), one.confidence)
        elif one.kind == "mux" and one.mux is None:
            chooser = one
        elif one.kind != "constant" and one.layout.length < 40:
            open_fields.append(one)
    share, best = max(counted, key=lambda c: (c[0], c[1].confidence), default=(0.0, None))
    if best is not None and best.method is not None and share >= COUNTS:
        counter = (best.layout, counter_from_dict(best.method), best.confidence)
    open_fields += [one for _, one in counted if counter is None or one is not best]
    taken: set[int] = set()
    if counter is not None:
        taken |= set(counter[0].positions)
    if checksum is not None:
        taken |= set(checksum[0].layout.positions)
    pages: Pages | None = None
    if chooser is not None:
        pages = _pages(times, payload, chooser, open_fields, taken | set(chooser.layout.positions))
        if pages is None:  # no order that could be sent: fields like others, without a meaning
            open_fields = [replace(f, mux=None, stimulus=None) if f.mux else f for f in (chooser, *open_fields)]
        else:
            taken |= set(chooser.layout.positions)
    fields = _fields([f for f in open_fields if f.mux is None], payload, taken)
    label = format_identifier(key.identifier, key.extended)
    return VehicleMessage(
        key, f"M_{label}", length, period_of(times), times, payload, fields, counter, checksum, moved_bits(payload),
        found.group if found is not None else None, pages,
    )  # fmt: skip


def _fields(found: list[FoundField], payload: npt.NDArray[np.uint8], taken: set[int]) -> tuple[VehicleField, ...]:
    """The fields of some rows of payload; `taken` are bits that none of them may grow into."""
    if not len(payload):
        return ()
    moved, first = moved_bits(payload), np.unpackbits(payload[0], bitorder="little")
    order, taken = _order_of(found), taken | moved
    fields = [f for one in found if (f := _field(one, payload, first, moved, taken, order)) is not None]
    fields = [part for one in _with_tops(fields, payload) for part in _without_leap(one, moved)]
    fields = [part for one in fields for part in _without_top(one, payload)]
    fields = [part for one in fields for part in _without_bottom(one, payload)]
    return tuple(_apart([part for one in fields for part in runs_apart(one, moved)]))


def _pages(
    times: Floats, payload: npt.NDArray[np.uint8], chooser: FoundField, found: list[FoundField], taken: set[int]
) -> Pages | None:
    """The pages of a message whose multiplexer guess found; None where they don't come in turn."""
    page = raw_series(payload, chooser.layout)
    order = page_order(times, page)
    if not order:
        return None
    shared = {p for f in found if f.mux is None for p in f.layout.positions}
    fields = {}
    for value in sorted(set(order)):
        mine = [f for f in found if f.mux is not None and f.mux[1] == value]
        made = _fields(mine, payload[page == value], taken | shared)
        fields[value] = tuple(replace(f, name=f"{f.name}_page_{value}") for f in made)
    return Pages(chooser.layout, order, fields, chooser.confidence)


def page_order(times: Floats, page: Ints) -> tuple[int, ...]:
    """Raw values of a multiplexer in the order in which they come again and again; empty where there is none."""
    near = np.diff(times) < 1.5 * period_of(times)
    starts = np.flatnonzero(np.r_[True, ~near])
    for length in range(1, min(MOST_TURNS, len(page) // 3) + 1):
        whole = np.convolve(near, np.ones(length), "valid") == length
        if whole.any() and float((page[length:] == page[:-length])[whole].mean()) >= IN_TURN:
            for start in starts:  # the first of the turn is the one that a wake begins with
                turn = tuple(int(v) for v in page[start : start + length])
                if set(turn) == set(np.unique(page).tolist()):
                    return turn
            return ()
    return ()


def _counts(times: Floats, raw: Ints, counter: Counter) -> float:
    """Share of the steps between neighbouring frames that are the counter's own.

    A frame whose counter stands still is discarded by its receivers, so nothing else may be called a counter.
    """
    near = np.diff(times) < 1.5 * period_of(times)
    size = counter.high - counter.low + 1
    right = np.diff(raw - counter.low) % size == counter.step % size
    return float(right[near].mean()) if near.any() else 0.0


def _apart(fields: list[VehicleField]) -> list[VehicleField]:
    """Fields that share no bits: of two that do, the longer one."""
    kept: list[VehicleField] = []
    for one in sorted(fields, key=lambda f: -f.layout.length):
        if not any(set(one.layout.positions) & set(other.layout.positions) for other in kept):
            kept.append(one)
    return [one for one in fields if any(one is other for other in kept)]


def _whole(checksum: Checksum) -> Checksum:
    """The same checksum without the list of bits it was seen to cover, where its family says which it covers.

    A sum and a CRC cover whole bytes, and an XOR of all bytes every bit: a bit that stood still in the recording is
    covered as its neighbours in the byte are. A bare affine relation does not show such bits.
    """
    method = checksum.method
    known = isinstance(method, Sum | Crc) or (isinstance(method, Affine) and method.name.startswith("XOR"))
    return replace(checksum, verified_bits=None) if known else checksum


def _field(
    found: FoundField,
    payload: npt.NDArray[np.uint8],
    first: npt.NDArray[np.uint8],
    moved: frozenset[int],
    taken: set[int],
    around: ByteOrder | None,
) -> VehicleField | None:
    """A found field cut to the bits that moved, with the still zeros above it where it is a measured value.

    `around` is the byte order of its message: a value within one byte has none of its own.
    """
    if found.evidence.get("public"):
        return _public(found, moved)
    positions = list(found.layout.positions)
    top = max((k for k, p in enumerate(positions) if p in moved), default=-1)
    if top < 0:
        return None
    bottom = next(k for k, p in enumerate(positions) if p in moved)
    signed = found.layout.signed and top == len(positions) - 1
    order: ByteOrder = found.layout.byte_order
    keep = positions[: top + 1]
    number = found.kind == "analogue" and top >= 4
    if found.kind == "enum" and bottom < top and not found.evidence.get("choices"):
        number = steps_by_one(raw_series(payload, _layout(keep[bottom:], order, False)))
    if not number and found.stimulus is None:
        keep = keep[bottom:]
    if number and not signed:
        onward = order if around is None or _crosses(keep) else around
        keep = _with_still_bits(keep, onward, first, taken, 8 * payload.shape[1])
        order = onward if _crosses(keep) else order
    # guess's value belongs to its own bits: here it has more or fewer of the still ones
    resting = sum(int(first[p]) << k for k, p in enumerate(positions) if k > top)
    if found.layout.signed and not signed and first[positions[-1]]:
        resting -= 1 << len(positions)
    still = resting - sum(int(first[p]) << k for k, p in enumerate(keep) if k > top)
    layout = _layout(keep, order, signed)
    distinct = len(np.unique(raw_series(payload, layout)))
    kind: ValueKind = (
        "flag" if len(keep) == 1 else "number" if number else "choice" if distinct <= MOST_CHOICES else "number"
    )
    channel = channel_role(found.stimulus or "")
    start = layout.start
    unit, factor, shift = plain_unit(found.unit)
    return VehicleField(
        f"f_{start}_{layout.length}", layout, kind, top + 1, found.layout_confidence,
        channel, found.confidence if channel else 0.0,
        factor * found.scale, factor * (found.offset + found.scale * still) + shift, unit,
    )  # fmt: skip


def _crosses(positions: Sequence[int]) -> bool:
    return len({p // 8 for p in positions}) > 1


def _order_of(fields: list[FoundField]) -> ByteOrder | None:
    """The byte order of most fields that lie in more than one byte; None where that is undecided."""
    orders = [one.layout.byte_order for one in fields if _crosses(one.layout.positions)]
    little, big = orders.count("little_endian"), orders.count("big_endian")
    return None if little == big else "little_endian" if little > big else "big_endian"


def _public(found: FoundField, moved: frozenset[int]) -> VehicleField | None:
    """A parameter of a public J1939 group: its layout is published, so that still bits belong to it too."""
    positions = found.layout.positions
    top = max((k for k, p in enumerate(positions) if p in moved), default=-1)
    if top < 0:
        return None
    kind: ValueKind = "choice" if found.kind == "enum" else "number"
    name = f"f_{found.layout.start}_{found.layout.length}"
    channel = found.stimulus or str(found.evidence.get("quantity") or "")
    return VehicleField(
        name, found.layout, kind, top + 1, found.layout_confidence,
        channel, found.confidence if channel else 0.0, found.scale, found.offset, found.unit,
    )  # fmt: skip


def _with_tops(fields: list[VehicleField], payload: npt.NDArray[np.uint8]) -> list[VehicleField]:
    """Measured values joined with the bits above them that were cut off: where those change, the value falls back."""
    out = list(fields)
    for number in fields:
        if number.kind != "number" or number.channel_confidence >= 0.5:
            continue
        low = number.layout.positions[: number.moving]
        for top in fields:
            if top is number or top.kind == "number" or number not in out or top not in out:
                continue
            positions = (*low, *top.layout.positions)
            try:
                layout = layout_from_positions(positions)
            except InputError:
                continue
            small, big = raw_series(payload, number.layout), raw_series(payload, top.layout)
            change = np.diff(big)
            at = np.flatnonzero(change)
            falls = np.sign(change[at]) * np.diff(small)[at] < -(1 << (number.moving - 1))
            carries = np.abs(np.diff(small + (big << number.moving))[at]) <= 1
            plainly = len(at) >= LEAST_CARRIES and bool(carries.all())
            if plainly or (len(at) >= LEAST_STEPS and falls.mean() >= FALLS_BACK):
                name = f"f_{layout.start}_{layout.length}"
                out[out.index(number)] = replace(number, name=name, layout=layout, moving=len(positions))
                out.remove(top)
    return out


def _without_top(one: VehicleField, payload: npt.NDArray[np.uint8]) -> list[VehicleField]:
    """A measured value without a flag that was taken for its top bit: where it changes, the value stays as it is.

    A carry into the top bit makes what is below it fall from one end of its range to the other.
    """
    if one.kind != "number" or one.moving < MOST_SPARE_BITS + 1 or one.layout.signed:
        return [one]
    positions = one.layout.positions
    low = _layout(list(positions[: one.moving - 1]), one.layout.byte_order, False)
    top = Layout(positions[one.moving - 1], 1)
    small, big = raw_series(payload, low), raw_series(payload, top)
    at = np.flatnonzero(np.diff(big))
    if len(at) < LEAST_STEPS or (np.abs(np.diff(small)[at]) <= (1 << (one.moving - 1)) * STAYS).mean() < STAYS_SHARE:
        return [one]
    value = replace(one, name=f"f_{low.start}_{low.length}", layout=low, moving=low.length)
    return [value, _cut_flag(one, top)]


def _without_leap(one: VehicleField, moved: frozenset[int]) -> list[VehicleField]:
    """A measured value without what lies above a bit that stood still below its top.

    A value of more than that bit's weight cannot be reached without passing through it, so that what moved above it is
    something else.
    """
    if one.kind != "number" or one.layout.signed:
        return [one]
    positions = one.layout.positions[: one.moving]
    still = max((k for k, p in enumerate(positions) if p not in moved), default=-1)
    bottom = next(k for k, p in enumerate(positions) if p in moved)
    if still - bottom < MOST_SPARE_BITS:
        return [one]
    low, top = (_layout(list(p), one.layout.byte_order, False) for p in (positions[:still], positions[still + 1 :]))
    above = replace(
        one, name=f"f_{top.start}_{top.length}", layout=top, kind="flag" if top.length == 1 else "choice",
        moving=top.length, channel="", channel_confidence=0.0,
    )  # fmt: skip
    below = replace(
        one,
        name=f"f_{low.start}_{low.length}",
        layout=low,
        moving=max(k for k, p in enumerate(positions[:still]) if p in moved) + 1,
    )
    return [*_without_leap(below, moved), above]


def _without_bottom(one: VehicleField, payload: npt.NDArray[np.uint8]) -> list[VehicleField]:
    """A measured value without the flags that were taken for its lowest bits, and without still bits below it.

    The lowest bit of a value changes at about every other change of the bits above it; a flag at hardly any, and a bit
    that stood still, at none, is a part of what never moved. The offset moves by whole steps only: less than half of
    one is no more than how the fit was rounded.
    """
    if one.kind != "number":
        return [one]
    positions, flags, shift = one.layout.positions, [], 0.0
    for cut in range(max(0, one.moving - MOST_SPARE_BITS)):
        rest = _layout(list(positions[cut + 1 :]), one.layout.byte_order, one.layout.signed)
        low = Layout(positions[cut], 1)
        lowest = raw_series(payload, low)
        above, flips = np.diff(raw_series(payload, rest)) != 0, np.diff(lowest) != 0
        if flips.any() and (above.sum() < LEAST_CHANGES or flips[above].mean() > MOST_FLAG_FLIPS):
            break
        shift += (lowest.mean() > 0.5) * 2.0**cut
        if flips.any():
            flags.append(_cut_flag(one, low))
    else:
        cut = max(0, one.moving - MOST_SPARE_BITS)
    if not cut:
        return [one]
    rest = _layout(list(positions[cut:]), one.layout.byte_order, one.layout.signed)
    scale = one.scale * 2**cut
    value = replace(
        one, name=f"f_{rest.start}_{rest.length}", layout=rest, moving=one.moving - cut, scale=scale,
        offset=one.offset + scale * round(shift / 2**cut),
    )  # fmt: skip
    return [value, *flags]


def _cut_flag(one: VehicleField, layout: Layout) -> VehicleField:
    """A bit of a field as a flag of its own, without a meaning."""
    return replace(
        one, name=f"f_{layout.start}_1", layout=layout, kind="flag", moving=1, channel="", channel_confidence=0.0,
        scale=1.0, offset=0.0, unit="",
    )  # fmt: skip


def runs_apart(one: VehicleField, moved: frozenset[int], between: int = STILL_BETWEEN) -> list[VehicleField]:
    """A choice cut where several bits stand still between those that move: codes that mostly changed together.

    A gear and the lever that chooses it look like one field of few values. A code is worth as much in two parts.
    """
    if one.kind != "choice":
        return [one]
    runs: list[list[int]] = []
    before = -1 - between
    for weight, position in enumerate(one.layout.positions):
        if position in moved:
            if weight - before > between:
                runs.append([])
            runs[-1] += one.layout.positions[before + 1 : weight + 1] if runs[-1] else [position]
            before = weight
    if len(runs) < 2:
        return [one]
    out = []
    for run in runs:
        layout = layout_from_positions(tuple(run))
        kind: ValueKind = "flag" if len(run) == 1 else "choice"
        name = f"f_{layout.start}_{layout.length}"
        out.append(
            replace(one, name=name, layout=layout, kind=kind, moving=len(run), channel="", channel_confidence=0.0)
        )
    return out


def steps_by_one(raw: Ints) -> bool:
    """Whether a field of few values moves as a measured one does: up or down by one."""
    change = np.abs(np.diff(raw))
    change = change[change > 0]
    return len(change) >= LEAST_STEPS and len(np.unique(raw)) >= 3 and float((change == 1).mean()) >= STEPS_BY_ONE


def _with_still_bits(
    keep: list[int], order: ByteOrder, first: npt.NDArray[np.uint8], taken: set[int], bits: int
) -> list[int]:
    """The bits of a value with the still ones above them: to a whole byte whatever they hold, beyond it while zero.

    A value that stays within what was recorded is the same bits either way; one that leaves it carries into them.
    """
    out = list(keep)
    while len(out) < 16 and len(out) - len(keep) < max(MOST_SPARE_BITS, 8 - len(keep)):
        last = out[-1]
        after = last + 1 if order == "little_endian" or last % 8 != 7 else last - 15
        if not 0 <= after < bits or after in taken:
            break
        if len(out) >= 8 and (first[after] or (after % 8 == 0 and len(out) > len(keep))):
            break
        out.append(after)
    return out


def _layout(positions: list[int], order: ByteOrder, signed: bool) -> Layout:
    start = positions[0] if order == "little_endian" else positions[-1]
    ways: tuple[ByteOrder, ...] = (order, "little_endian", "big_endian")
    for way in ways:
        layout = Layout(positions[0] if way == "little_endian" else positions[-1], len(positions), way, signed)
        if layout.positions == tuple(positions):
            return layout
    return Layout(start, len(positions), order, signed)
