"""Capture room: the `Capture`, frames of one recording as numpy columns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.identifier_words import EXTENDED_BIT

EXTENDED = 1
"""29-bit identifier."""
FD = 2
"""CAN FD frame."""
ERROR = 4
"""Error frame, as an adapter reports it."""
REMOTE = 8
"""Remote frame: asks, carries nothing."""
SENT = 16
"""Sent by the recording node itself, not received."""
BIT_RATE_SWITCH = 32
"""CAN FD data phase at the second bit rate."""


class FrameKey(NamedTuple):
    """What frames are grouped by."""

    bus: int
    identifier: int
    extended: bool


@dataclass(frozen=True, slots=True)
class ReadNotes:
    """What a reader could not use or had to correct, counted for the user."""

    unreadable_lines: int = 0
    torn_at_end: bool = False
    clock_steps_back: int = 0
    duplicates: int = 0
    examples: tuple[str, ...] = ()
    stopped: str = ""
    """Why reading ended before the file did, as a sentence; "" when it did not."""

    def sentences(self) -> list[str]:
        """What to report to the user; empty when all was well."""
        out = []
        if self.unreadable_lines:
            shown = f", for example {self.examples[0]!r}" if self.examples else ""
            one = self.unreadable_lines == 1
            words = (
                "1 line was not a frame and was" if one else f"{self.unreadable_lines:,} lines weren't frames and were"
            )
            out.append(f"{words} left out{shown}")
        if self.stopped:
            out.append(self.stopped)
        if self.torn_at_end:
            out.append("the last frame was cut short (the recording ended abruptly) and was left out")
        if self.clock_steps_back:
            times = "once" if self.clock_steps_back == 1 else f"{self.clock_steps_back:,} times"
            out.append(f"the clock stepped back {times}; frames are in file order")
        if self.duplicates:
            words = "1 frame repeats" if self.duplicates == 1 else f"{self.duplicates:,} frames repeat"
            out.append(f"{words} the one before it exactly, time included")
        return out

    def plus(self, other: ReadNotes) -> ReadNotes:
        """Notes of both, where one file was read in blocks."""
        return ReadNotes(
            self.unreadable_lines + other.unreadable_lines,
            self.torn_at_end or other.torn_at_end,
            self.clock_steps_back + other.clock_steps_back,
            self.duplicates + other.duplicates,
            (self.examples + other.examples)[:5],
            self.stopped or other.stopped,
        )

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)

    @staticmethod
    def from_dict(data: dict[str, Any]) -> ReadNotes:
        return ReadNotes(**{**data, "examples": tuple(data.get("examples", ()))})


@dataclass(frozen=True, slots=True)
class Capture:
    """Frames of one recording, one row a frame, in file order.

    Attributes
    ----------
    time_ns : (N,) int64
        Nanoseconds on the logger's clock.
    identifier : (N,) uint32
        Identifier without its form.
    flags : (N,) uint8
        Sum of EXTENDED, FD, ERROR, REMOTE, SENT, BIT_RATE_SWITCH.
    bus : (N,) uint8
        Index into `bus_names`.
    length : (N,) uint8
        Payload bytes, 0 to 64.
    payload : (N, 8) or (N, 64) uint8
        Payload, zero beyond `length`; 64 wide only when a frame needs it.
    bus_names : tuple of str
        Names of the buses.
    source : str
        File name or other origin, for messages.
    notes : ReadNotes
        What could not be read.
    """

    time_ns: npt.NDArray[np.int64]
    identifier: npt.NDArray[np.uint32]
    flags: npt.NDArray[np.uint8]
    bus: npt.NDArray[np.uint8]
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]
    bus_names: tuple[str, ...] = ("0",)
    source: str = ""
    notes: ReadNotes = field(default_factory=ReadNotes)

    def __post_init__(self) -> None:
        n = len(self.time_ns)
        for name in ("identifier", "flags", "bus", "length", "payload"):
            if len(getattr(self, name)) != n:
                raise ValueError(f"column {name} has {len(getattr(self, name))} rows, time_ns has {n}")
        if self.payload.ndim != 2:
            raise ValueError("payload must be (frames, bytes)")

    def __len__(self) -> int:
        return len(self.time_ns)

    def __repr__(self) -> str:
        buses = ", ".join(self.bus_names)
        return f"<Capture {self.source or 'unnamed'}: {len(self)} frames in {self.duration_s:.1f} s on {buses}>"

    @property
    def duration_s(self) -> float:
        """Seconds from the earliest to the latest frame."""
        return float(self.time_ns.max() - self.time_ns.min()) / 1e9 if len(self) else 0.0

    @property
    def is_data(self) -> npt.NDArray[np.bool_]:
        """(N,) bool: frames that carry a payload (neither error nor remote)."""
        data: npt.NDArray[np.bool_] = (self.flags & (ERROR | REMOTE)) == 0
        return data

    @property
    def words(self) -> npt.NDArray[np.uint32]:
        """(N,) uint32: identifier word of every frame (`swapbridge.core.identifier_words`)."""
        form = (self.flags & EXTENDED).astype(np.uint32) * np.uint32(EXTENDED_BIT)
        words: npt.NDArray[np.uint32] = self.identifier | form
        return words

    def select(self, rows: npt.NDArray[np.bool_] | npt.NDArray[np.intp] | slice) -> Capture:
        """The same capture with only these rows."""
        return replace(
            self,
            time_ns=self.time_ns[rows],
            identifier=self.identifier[rows],
            flags=self.flags[rows],
            bus=self.bus[rows],
            length=self.length[rows],
            payload=payloads_at(self.payload, rows),
        )

    def groups(self) -> Iterator[tuple[FrameKey, npt.NDArray[np.intp]]]:
        """Data frames by bus, identifier and form: key and row numbers in file order, keys ascending."""
        words, edges, rows = self.grouped()
        for at, word in enumerate(words.tolist()):
            yield frame_key(word), rows[edges[at] : edges[at + 1]]

    def grouped(self) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """The same as `groups` in three columns, for captures with very many identifiers.

        Returns
        -------
        words : (G,) uint64
            Keys, ascending; `frame_key` takes one apart.
        edges : (G + 1,) intp
            Rows of group g are ``rows[edges[g]:edges[g + 1]]``.
        rows : (D,) intp
            Row numbers of all data frames.
        """
        data = self.is_data
        rows = None if data.all() else np.flatnonzero(data)
        if rows is None:
            bus, flags, identifier = self.bus, self.flags, self.identifier
        else:
            bus, flags, identifier = self.bus[rows], self.flags[rows], self.identifier[rows]
        if not len(bus):
            return np.empty(0, np.uint64), np.zeros(1, np.intp), np.empty(0, np.intp)
        ranked = _ranked(bus, flags, identifier)
        if ranked is not None:
            words, code, counts = ranked
            edges = np.concatenate(([0], np.cumsum(counts)))
            order = _by_rank(code, edges)
        else:
            key = _keys(bus, flags, identifier)
            order = np.argsort(key, kind="stable")
            ordered = key[order]
            edges = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1], [True])))
            words = ordered[edges[:-1]]
        return words, edges, order if rows is None else rows[order]


def payloads_at(
    payload: npt.NDArray[np.uint8], rows: npt.NDArray[np.bool_] | npt.NDArray[np.intp] | slice
) -> npt.NDArray[np.uint8]:
    """Some rows of payloads, each copied as a whole: a ninth of the time of ``payload[rows]``, which goes by bytes.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads.
    rows : (N,) bool, (R,) intp or slice
        Which of them.

    Returns
    -------
    (R, B) uint8
        Those rows.
    """
    if isinstance(rows, slice):
        return payload[rows]
    return payload.compress(rows, axis=0) if rows.dtype == np.bool_ else payload.take(rows, axis=0)


def frame_key(word: int) -> FrameKey:
    """Key of one of the words of `Capture.grouped`."""
    return FrameKey(word >> 32, word & 0x1FFF_FFFF, bool(word >> 31 & 1))


def _keys(
    bus: npt.NDArray[np.uint8], flags: npt.NDArray[np.uint8], identifier: npt.NDArray[np.uint32]
) -> npt.NDArray[np.uint64]:
    key = bus.astype(np.uint64)
    key <<= np.uint64(32)
    key |= (flags & EXTENDED).astype(np.uint64) << np.uint64(31)
    key |= identifier
    return key


def _ranked(
    bus: npt.NDArray[np.uint8], flags: npt.NDArray[np.uint8], identifier: npt.NDArray[np.uint32]
) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.unsignedinteger], npt.NDArray[np.intp]] | None:
    """Distinct keys, ascending, which of them each row's is, and how many rows each has. Ranks are in 8 or 16 bits:
    those sort 8 times as fast (numpy sorts them by radix). A hash is tried a few times until no two keys share a place
    in a table of 65,536; all goes by blocks, which stay in cache.
    """
    blocks = [slice(start, start + _ROWS) for start in range(0, len(bus), _ROWS)]
    places = np.empty(len(bus), np.uint16)
    for odd in _HASHES:
        owner = np.full(1 << 16, _NO_KEY)
        for part in blocks:
            key = _keys(bus[part], flags[part], identifier[part])
            places[part] = (key * np.uint64(odd)) >> np.uint64(48)
            owner[places[part]] = key
        taken = np.flatnonzero(owner != _NO_KEY)
        if len(taken) > _MOST_HASHED:
            return None
        if all(
            np.array_equal(owner.take(places[part]), _keys(bus[part], flags[part], identifier[part])) for part in blocks
        ):
            words = np.sort(owner[taken])
            rank = np.zeros(len(owner), np.intp)
            rank[taken] = np.searchsorted(words, owner[taken])
            code = np.empty(len(bus), np.dtype(np.uint8 if len(words) <= 1 << 8 else np.uint16))
            counts = np.zeros(len(words), np.intp)
            for part in blocks:
                ranks = rank.take(places[part])
                counts += np.bincount(ranks, minlength=len(words))
                code[part] = ranks
            return words, code, counts
    return None


def _by_rank(code: npt.NDArray[np.unsignedinteger], edges: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """A stable argsort by parts, each of whose groups is then put behind those of the part before.

    One sort of everything asks for as much memory again, and having that cleared takes longer than the sort.
    """
    order, at = np.empty(len(code), np.intp), edges[:-1].tolist()
    for start in range(0, len(code), _SORTED_ROWS):
        part = code[start : start + _SORTED_ROWS]
        inside = np.argsort(part, kind="stable") + start
        first = 0
        for group, count in enumerate(np.bincount(part, minlength=len(at)).tolist()):
            order[at[group] : at[group] + count] = inside[first : first + count]
            at[group] += count
            first += count
    return order


_SORTED_ROWS = 1 << 18
_ROWS = 1 << 15
_NO_KEY = np.uint64(2**64 - 1)
_HASHES = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0xD6E8FEB86659FD93, 0xA0761D6478BD642F, 0xE7037ED1A0B428DB)
"""Odd multipliers of multiplicative hashing (Knuth, The Art of Computer Programming, volume 3, section 6.4)."""
_MOST_HASHED = 400
"""With more distinct keys, five tries seldom end without a collision in 65,536 places."""
