"""Surveying room: what a survey says, as data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from swapbridge.core.identifier_words import BusIdentifier, format_identifier
from swapbridge.surveying.groups_heard import ActiveFault, ReceivedGroup
from swapbridge.surveying.lost import FramesLost
from swapbridge.surveying.silent_bus import Silence

Sending = Literal["cyclic", "mixed", "event", "rare", "wake-up"]
"""How an identifier is sent: in step; mostly in step with extra frames; when something happens; less than once a
second; only in the first seconds after the bus woke or the recording began."""


@dataclass(frozen=True, slots=True)
class IdentifierSurvey:
    """One identifier on one bus.

    Attributes
    ----------
    bus, identifier, extended
        Whose frames these are.
    frames : int
        Data frames.
    lengths : tuple of (int, int)
        Payload bytes and how many frames had that many, shortest first.
    period_ms, early_ms, late_ms, worst_gap_ms : float
        Median, 5th and 95th percentile and longest time from one frame to the next (nearest rank; gaps in which the
        whole bus slept are left out); nan with fewer than two frames.
    first_s, last_s : float
        First and last frame, seconds since the capture's first frame.
    distinct : int
        Different payloads.
    flips : (8 * bytes,) int64
        How often each bit changed from one frame to the next, by DBC bit number.
    payload : bytes
        Its first payload of full length: what the bits that never changed are.
    sending : Sending
    load : float
        Its mean share of the bus while the bus was awake, 0 to 1.
    hints : tuple of str
        Counters and checksums in words: those that are plain to see, or what a thorough search found.
    """

    bus: str
    identifier: int
    extended: bool
    frames: int
    lengths: tuple[tuple[int, int], ...]
    period_ms: float
    early_ms: float
    late_ms: float
    worst_gap_ms: float
    first_s: float
    last_s: float
    distinct: int
    flips: npt.NDArray[np.int64] = field(compare=False)
    payload: bytes
    sending: Sending
    load: float
    hints: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Identifier as the command line takes it."""
        return format_identifier(self.identifier, self.extended)

    @property
    def key(self) -> BusIdentifier:
        """Bus, identifier, and whether it has 29 bits."""
        return self.bus, self.identifier, self.extended

    @property
    def jitter_ms(self) -> float:
        """Half the span that nine of ten gaps lie in."""
        return (self.late_ms - self.early_ms) / 2

    @property
    def length(self) -> int:
        """Payload bytes of most frames."""
        return max(self.lengths, key=lambda pair: (pair[1], pair[0]))[0]

    @property
    def live(self) -> bytes:
        """Mask of the bits that changed at least once."""
        return np.packbits(self.flips.reshape(-1, 8) > 0, axis=1, bitorder="little").tobytes()

    @property
    def live_bits(self) -> int:
        """How many bits changed at least once."""
        return int(np.count_nonzero(self.flips))

    def to_dict(self) -> dict[str, Any]:
        return {
            "bus": self.bus,
            "id": self.identifier,
            "extended": self.extended,
            "frames": self.frames,
            "lengths": [{"bytes": size, "frames": frames} for size, frames in self.lengths],
            "period_ms": _number(self.period_ms),
            "p5_ms": _number(self.early_ms),
            "p95_ms": _number(self.late_ms),
            "worst_gap_ms": _number(self.worst_gap_ms),
            "jitter_ms": _number(self.jitter_ms),
            "first_s": self.first_s,
            "last_s": self.last_s,
            "distinct_payloads": self.distinct,
            "live_mask": self.live.hex().upper(),
            "flips": self.flips.tolist(),
            "payload": self.payload.hex().upper(),
            "sending": self.sending,
            "load": self.load,
            "hints": list(self.hints),
        }


@dataclass(frozen=True, slots=True)
class BusSurvey:
    """One bus.

    Attributes
    ----------
    name : str
    frames, error_frames, remote_frames : int
        All frames, and how many of them were error and remote frames.
    identifiers : int
    bit_rate : int
        Bits a second that the load was computed for.
    load_second : (M,) int64
        Whole seconds since the capture's first frame, those with traffic only.
    load : (M,) float64
        Share of that second the bus was busy, exact frame lengths and intermission; above 1 the bit rate is wrong.
    asleep : tuple of (float, float)
        Spans of a second and more without any frame in which the bus slept, seconds since the capture's first frame.
    awake_s : float
        Seconds from its first to its last frame without any such spans, slept or not.
    dropouts, unclear : tuple of (float, float)
        Those in which its senders went on and the recording missed them, and those that the frames do not explain.
    """

    name: str
    frames: int
    error_frames: int
    remote_frames: int
    identifiers: int
    bit_rate: int
    load_second: npt.NDArray[np.int64] = field(compare=False)
    load: npt.NDArray[np.float64] = field(compare=False)
    asleep: tuple[tuple[float, float], ...]
    awake_s: float
    mean_load: float
    dropouts: tuple[tuple[float, float], ...] = ()
    unclear: tuple[tuple[float, float], ...] = ()

    def with_silences(self, found: Iterable[Silence]) -> BusSurvey:
        """The same with its silences judged."""
        of: dict[str, list[tuple[float, float]]] = {"asleep": [], "dropout": [], "unclear": []}
        for one in found:
            if one.bus == self.name:
                of[one.kind].append((one.begin_s, one.end_s))
        spans = {kind: tuple(some) for kind, some in of.items()}
        return replace(self, asleep=spans["asleep"], dropouts=spans["dropout"], unclear=spans["unclear"])

    @property
    def peak_load(self) -> float:
        """Load of the busiest second."""
        return float(self.load.max()) if len(self.load) else 0.0

    def to_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "frames": self.frames,
            "error_frames": self.error_frames,
            "remote_frames": self.remote_frames,
            "identifiers": self.identifiers,
            "bit_rate": self.bit_rate,
            "mean_load": self.mean_load,
            "peak_load": self.peak_load,
            "load_by_second": [
                {"second": second, "load": load}
                for second, load in zip(self.load_second.tolist(), self.load.tolist(), strict=True)
            ],
            "asleep_s": [list(span) for span in self.asleep],
            "dropouts_s": [list(span) for span in self.dropouts],
            "unclear_s": [list(span) for span in self.unclear],
            "awake_s": self.awake_s,
        }


@dataclass(frozen=True, slots=True)
class Survey:
    """Inventory of one capture.

    Attributes
    ----------
    source : str
    frames : int
    duration_s : float
    start_ns : int
        The logger's clock at the earliest frame, from which all seconds here count.
    buses : tuple of BusSurvey
    identifiers : tuple of IdentifierSurvey
        By bus and identifier.
    remarks : tuple of str
        What the user should know besides: reading notes, a load that can't be, too many identifiers.
    lost : FramesLost or None
        Frames that the recording is missing, where that was counted.
    groups : tuple of ReceivedGroup
        Identifiers of the buses that speak SAE J1939.
    faults : tuple of ActiveFault
        What modules said there by themselves (DM1).
    """

    source: str
    frames: int
    duration_s: float
    start_ns: int
    buses: tuple[BusSurvey, ...]
    identifiers: tuple[IdentifierSurvey, ...]
    remarks: tuple[str, ...] = ()
    lost: FramesLost | None = None
    groups: tuple[ReceivedGroup, ...] = ()
    faults: tuple[ActiveFault, ...] = ()

    def of(self, sending: Sending) -> Iterator[IdentifierSurvey]:
        """Identifiers that are sent that way."""
        return (one for one in self.identifiers if one.sending == sending)

    def with_integrity(self, words: Mapping[BusIdentifier, tuple[str, ...]]) -> Survey:
        """The same with counters and checksums that a thorough search found, in place of what was plain to see.

        Parameters
        ----------
        words : mapping of (bus, identifier, extended) to tuple of str
            What was found in those that were searched; the others stay as they are.
        """
        return replace(
            self, identifiers=tuple(replace(one, hints=words.get(one.key, one.hints)) for one in self.identifiers)
        )

    def with_lost(self, lost: FramesLost) -> Survey:
        """The same with the frames that are missing, and each bus's silences judged by them."""
        return replace(self, lost=lost, buses=tuple(bus.with_silences(lost.silences) for bus in self.buses))

    def to_dict(self) -> dict[str, Any]:
        return {
            "version": 1,
            "source": self.source,
            "frames": self.frames,
            "duration_s": self.duration_s,
            "start_ns": self.start_ns,
            "buses": [bus.to_dict() for bus in self.buses],
            "identifiers": [one.to_dict() for one in self.identifiers],
            "remarks": list(self.remarks),
            "lost": None if self.lost is None else self.lost.to_dict(),
            "j1939": {
                "groups": [one.to_dict() for one in self.groups],
                "faults": [one.to_dict() for one in self.faults],
            },
        }


def _number(value: float) -> float | None:
    """JSON has no nan."""
    return None if np.isnan(value) else value
