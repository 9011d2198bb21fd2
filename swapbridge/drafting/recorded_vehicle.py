"""Drafting room: one vehicle's recording as messages and fields, each a series in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import FrameKey
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.integrity import Checksum, Counter
from swapbridge.core.layout import Layout
from swapbridge.core.units import SPELLINGS
from swapbridge.core.vocabulary import channel_role
from swapbridge.signalmap.findings import FoundGroup

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
ValueKind = Literal["number", "choice", "flag"]
PLAIN_UNITS = {
    "temperature": "degC", "speed": "km/h", "pressure": "kPa", "torque": "Nm", "rotational speed": "rpm",
    "voltage": "V", "ratio": "%", "mass flow": "g/s",
}  # fmt: skip
"""The units in which both vehicles are compared, by kind: one scan tool reports degF, another degC."""
ASLEEP_S = 1.5
"""A bus that is silent for longer has slept."""


@dataclass(frozen=True, slots=True, eq=False)
class VehicleSeries:
    """Values as they were sent: `value[k]` holds from `time_s[k]` on."""

    time_s: Floats
    value: Floats

    def at(self, times: Floats) -> Floats:
        """What held at each of the times; the first value before it."""
        return self.value[np.maximum(self.time_s.searchsorted(times, "right") - 1, 0)]

    def changes(self) -> VehicleSeries:
        """The same reduced to the first value and each value that differs from the one before."""
        keep = np.concatenate([[True], self.value[1:] != self.value[:-1]])
        return VehicleSeries(self.time_s[keep], self.value[keep])


@dataclass(frozen=True, slots=True)
class VehicleField:
    """A field that moved, with the bits it may use and the channel it follows.

    `layout` holds the bits that moved and still zeros above them; physical value = raw * scale + offset.
    """

    name: str
    layout: Layout
    kind: ValueKind
    moving: int
    layout_confidence: float
    channel: str = ""
    channel_confidence: float = 0.0
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Pages:
    """The pages of a message: the bits that select the page, the order, and the fields of each page.

    `order` holds raw values as they come after each other, with repeats; `confidence` is that of the bits.
    """

    layout: Layout
    order: tuple[int, ...]
    fields: Mapping[int, tuple[VehicleField, ...]]
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class VehicleMessage:
    """One identifier: when it came, what moved in it, what stood still."""

    key: FrameKey
    name: str
    length: int
    period_s: float
    time_s: Floats
    payload: npt.NDArray[np.uint8]
    fields: tuple[VehicleField, ...]
    counter: tuple[Layout, Counter, float] | None
    checksum: tuple[Checksum, float] | None
    moved: frozenset[int]
    """Every bit that was not the same in all frames."""
    group: FoundGroup | None = None
    """What it is on a bus that speaks SAE J1939."""
    pages: Pages | None = None
    """Its pages, if it has any: `fields` are then those that every frame holds."""

    def raw(self, layout: Layout) -> Ints:
        """Raw values of a layout in every frame."""
        return raw_series(self.payload, layout)

    def of_page(self, page: int) -> VehicleMessage:
        """The message as it would be if only one of its pages were sent."""
        if self.pages is None:
            return self
        rows = self.raw(self.pages.layout) == page
        times, payload = self.time_s[rows], self.payload[rows]
        return replace(
            self, period_s=period_of(times), time_s=times, payload=payload, fields=self.pages.fields.get(page, ()),
            moved=moved_bits(payload), pages=None,
        )  # fmt: skip

    def series(self, one: VehicleField) -> VehicleSeries:
        """Raw values of a field in time."""
        return VehicleSeries(self.time_s, self.raw(one.layout).astype(np.float64))


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A recording with what was found in it."""

    bus: str
    messages: dict[tuple[int, bool], VehicleMessage]
    wakes: tuple[tuple[float, float], ...]
    track: StimulusTrack | None
    start_s: float
    notes: tuple[str, ...] = field(default=())

    def channel(self, name: str) -> VehicleSeries | None:
        """A channel of the stimulus file on this recording's clock."""
        one = None if self.track is None else self.track.channels.get(name)
        return None if one is None or not len(one.time_s) else VehicleSeries(one.time_s - self.start_s, one.value)


def plain_unit(unit: str) -> tuple[str, float, float]:
    """The unit in which both vehicles are compared, and factor and offset to it; an unknown unit stays."""
    known = SPELLINGS.get(unit)
    plain = PLAIN_UNITS.get(known.kind, "") if known is not None and known.name else ""
    if known is None or not plain:
        return unit, 1.0, 0.0
    factor, shift = known.conversion(SPELLINGS[plain])
    return plain, float(factor), float(shift)


def plain_track(track: StimulusTrack) -> StimulusTrack:
    """The same track with channels named by what they measure, in plain units."""
    out: dict[str, Channel] = {}
    for name, one in track.channels.items():
        role = channel_role(name)
        if role in out or (role != name and role in track.channels):
            role = name
        unit, factor, shift = ("", 1.0, 0.0) if one.texts else plain_unit(one.unit)
        value = one.value if (factor, shift) == (1.0, 0.0) else one.value * factor + shift
        out[role] = replace(one, name=role, value=value, unit=unit or one.unit)
    return replace(track, channels=out)


def raw_series(payload: npt.NDArray[np.uint8], layout: Layout) -> Ints:
    """Raw values of a layout in rows of payload."""
    out = np.zeros(len(payload), np.int64)
    for weight, position in enumerate(layout.positions):
        out |= ((payload[:, position >> 3] >> (position & 7)) & 1).astype(np.int64) << weight
    if layout.signed:
        out = np.where(out >> (layout.length - 1) & 1, out - (1 << layout.length), out)
    return out


def spans(times: Floats, gap_s: float) -> tuple[tuple[float, float], ...]:
    """(first, last) of every stretch without a gap longer than that."""
    if not len(times):
        return ()
    cut = np.flatnonzero(np.diff(times) > gap_s)
    return tuple(zip(times[np.r_[0, cut + 1]].tolist(), times[np.r_[cut, len(times) - 1]].tolist(), strict=True))


def period_of(times: Floats) -> float:
    """Median time between frames, sleeps left out; 0 for a message that comes only at waking."""
    gaps = np.diff(times)
    gaps = gaps[gaps < ASLEEP_S]
    return float(np.median(gaps)) if len(gaps) else 0.0


def moved_bits(payload: npt.NDArray[np.uint8]) -> frozenset[int]:
    """Every bit that was not the same in all rows."""
    bits = np.unpackbits(payload, axis=1, bitorder="little")
    return frozenset(np.flatnonzero((bits != bits[:1]).any(axis=0)).tolist())
