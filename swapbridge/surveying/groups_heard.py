"""Surveying room: whether a bus speaks SAE J1939, which of its groups are there, what they hold, and DM1 heard.

A 29-bit identifier alone says nothing: other makers have private ones. A bus is called J1939 for what standards fix and
private traffic has no reason to keep: known group numbers with both page bits 0, their length, and values that never
stand where J1939 reserves them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import EXTENDED, Capture, FrameKey
from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT, format_identifier, identifier_word
from swapbridge.core.j1939_groups import PUBLIC_GROUPS, Parameter, PublicGroup, group_words

FEWEST_SIGNS = 2
"""Different groups that must fit. An identifier drawn at random is one of the two dozen groups that count once in
10,000, so that two of them among a hundred private identifiers are once in twenty thousand by number alone."""
MOST_ODD = 0.005
"""Share of frames that may stand in a reserved range all the same: frames torn by a logger."""
MOST_FRAMES = 4_000
"""Frames looked at of an identifier, evenly spread."""
MOST_LONG_FRAMES = 200_000
"""Frames of long messages and DM1 that are put together."""
_LENGTHS = {j1939.REQUEST: 3, j1939.TRANSPORT: 8, j1939.TRANSPORT_DATA: 8, j1939.ADDRESS_CLAIMED: 8, j1939.DM1: 8}

Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class ReceivedGroup:
    """One identifier of a J1939 bus.

    Attributes
    ----------
    bus : str
    identifier : j1939.Identifier
        Priority, group, source, receiver.
    words : str
        What the group is, or "".
    public : PublicGroup or None
        Its layout, where it is a public one and the frames fit it.
    there : tuple of Parameter
        Parameters that held a measurement in at least one frame.
    names : tuple of j1939.J1939Name
        NAMEs that its address was claimed under.
    """

    bus: str
    identifier: j1939.Identifier
    words: str
    public: PublicGroup | None = None
    there: tuple[Parameter, ...] = ()
    names: tuple[j1939.J1939Name, ...] = ()

    @property
    def name(self) -> str:
        """The identifier as the command line takes it."""
        return format_identifier(self.identifier.word & ~EXTENDED_BIT, True)

    def to_dict(self) -> dict[str, Any]:
        one = self.identifier
        return {
            "bus": self.bus,
            "id": one.word & ~EXTENDED_BIT,
            "group": one.number,
            "priority": one.priority,
            "source": one.source,
            "to": one.to,
            "words": self.words,
            "name": self.public.name if self.public else None,
            "parameters": [{"spn": p.spn, "name": p.name} for p in self.there],
            "names": [f"{one.value:016X}" for one in self.names],
        }


@dataclass(frozen=True, slots=True)
class ActiveFault:
    """A code or lamp that a module said by itself (DM1).

    Attributes
    ----------
    bus : str
    source : int
        Its address.
    words : str
        ``SPN 110 FMI 0`` with the failure in words, or the lamp.
    first_s, last_s : float
        When it was said first and last, seconds since the capture's first frame.
    """

    bus: str
    source: int
    words: str
    first_s: float
    last_s: float

    def to_dict(self) -> dict[str, Any]:
        return {part: getattr(self, part) for part in ("bus", "source", "words", "first_s", "last_s")}


def groups_heard(capture: Capture) -> tuple[ReceivedGroup, ...]:
    """Every identifier of every bus that speaks J1939, by bus and identifier; none of other buses.

    Identifiers of 11 bits are never among them.
    """
    if not bool((capture.flags & EXTENDED).any()):
        return ()
    by_bus: dict[int, list[tuple[FrameKey, Rows]]] = {}
    for key, rows in capture.groups():
        if key.extended:
            by_bus.setdefault(key.bus, []).append((key, rows))
    out: list[ReceivedGroup] = []
    for _, found in sorted(by_bus.items()):
        heard = [_group(capture, key, rows) for key, rows in found]
        signs = {g.identifier.number for g, fits in heard if fits}
        against = {g.identifier.number for g, fits in heard if fits is False} - signs
        if len(signs) >= FEWEST_SIGNS and len(signs) > len(against):
            out += [g for g, _ in heard]
    return tuple(out)


def _group(capture: Capture, key: FrameKey, rows: Rows) -> tuple[ReceivedGroup, bool | None]:
    """A group, and whether its frames are a sign of J1939; None where they say nothing."""
    identifier = j1939.Identifier.of(identifier_word(key.identifier, True))
    assert identifier is not None
    bus, number = capture.bus_names[key.bus], identifier.number
    public = PUBLIC_GROUPS.get(number)
    looked = rows[:: -(-len(rows) // MOST_FRAMES)]
    lengths = capture.length[looked]
    if public is None:
        heard = ReceivedGroup(bus, identifier, group_words(number))
        size = _LENGTHS.get(number)
        fits = None if size is None else _fits(number, capture.payload[looked], lengths, size)
        if fits and number == j1939.ADDRESS_CLAIMED:
            claimed = sorted({row.tobytes() for row in capture.payload[looked, :8]})
            heard = replace(heard, names=tuple(map(j1939.J1939Name.of, claimed)))
        return heard, fits
    words = np.ascontiguousarray(capture.payload[looked, :8]).view(np.uint64)[:, 0]
    if not bool((lengths == 8).all()):
        return ReceivedGroup(bus, identifier, ""), False
    there = []
    for one in public.parameters:
        if one.layout.positions[-1] >= 64:
            continue
        raw = words >> np.uint64(one.layout.start) & np.uint64((1 << one.layout.length) - 1)
        valid, odd = value_shares(raw, one.layout.length)
        if odd > MOST_ODD:
            return ReceivedGroup(bus, identifier, ""), False
        if valid:
            there.append(one)
    heard = ReceivedGroup(bus, identifier, group_words(number), public, tuple(there))
    return heard, True if there else None


def value_shares(raw: npt.NDArray[np.uint64], bits: int) -> tuple[float, float]:
    """Shares of raw values that are a measurement, and that lie in J1939's reserved range."""
    reserved, error = j1939.reserved_range(bits), j1939.error_range(bits)
    if reserved is None or not len(raw):
        return (1.0, 0.0) if len(raw) else (0.0, 0.0)
    valid = raw < np.uint64(reserved[0])
    odd = ~valid & (raw < np.uint64((error or reserved)[0]))
    return float(valid.mean()), float(odd.mean())


def _fits(number: int, payload: npt.NDArray[np.uint8], lengths: npt.NDArray[np.uint8], size: int) -> bool:
    if not bool((lengths == size).all()):
        return False
    if number == j1939.ADDRESS_CLAIMED:
        return not bool((payload[:, 6] & 1).any())  # the name's reserved bit
    if number == j1939.TRANSPORT:
        starts = payload[np.isin(payload[:, 0], (j1939.RTS, j1939.ANNOUNCE))].astype(np.int64)
        sizes = starts[:, 1] + 256 * starts[:, 2]
        known = np.isin(payload[:, 0], (j1939.RTS, j1939.CTS, j1939.END, j1939.ANNOUNCE, j1939.ABORT))
        return bool(known.all()) and bool((starts[:, 3] == (sizes + 6) // 7).all())
    if number == j1939.DM1:
        return bool((payload[:, 6:8] == 0xFF).all())
    return True


def faults_heard(capture: Capture, heard: Iterable[ReceivedGroup]) -> tuple[ActiveFault, ...]:
    """What modules said by DM1, in long messages too: every code and lamp of every address.

    Parameters
    ----------
    capture : Capture
    heard : iterable of ReceivedGroup
        What `groups_heard` found in it.
    """
    wanted = {j1939.DM1, j1939.TRANSPORT, j1939.TRANSPORT_DATA}
    chosen = {(g.bus, g.identifier.word & ~EXTENDED_BIT) for g in heard if g.identifier.number in wanted}
    if not chosen:
        return ()
    parts: list[Rows] = []
    words: list[npt.NDArray[np.int64]] = []
    for key, rows in capture.groups():
        if key.extended and (capture.bus_names[key.bus], key.identifier) in chosen:
            parts.append(rows)
            words.append(np.full(len(rows), key.bus << 32 | identifier_word(key.identifier, True), np.int64))
    rows, word = np.concatenate(parts), np.concatenate(words)
    order = np.argsort(capture.time_ns[rows], kind="stable")[:MOST_LONG_FRAMES]
    start_ns = int(capture.time_ns.min())
    assemblers: dict[int, j1939.Assembler] = {}
    seen: dict[tuple[int, int, str], tuple[float, float]] = {}
    for row, tagged in zip(rows[order].tolist(), word[order].tolist(), strict=True):
        bus, now_ns = tagged >> 32, int(capture.time_ns[row])
        assembler = assemblers.setdefault(bus, j1939.Assembler())
        assembler.expire(now_ns)
        whole = assembler.take(tagged & 0xFFFF_FFFF, capture.payload[row, : int(capture.length[row])].tobytes(), now_ns)
        assembler.problems.clear()
        if whole is None or whole.number != j1939.DM1:
            continue
        now_s = (now_ns - start_ns) / 1e9
        for fault in _lit_and_stored(whole.data):
            first_s, _ = seen.get((bus, whole.source, fault), (now_s, now_s))
            seen[bus, whole.source, fault] = first_s, now_s
    return tuple(
        ActiveFault(capture.bus_names[bus], source, fault, first_s, last_s)
        for (bus, source, fault), (first_s, last_s) in sorted(seen.items())
    )


def _lit_and_stored(data: bytes) -> Sequence[str]:
    faults = j1939.read_faults(data)
    if faults is None:
        return ()
    out = [f"{lamp} lamp on" for lamp in faults.lamps]
    for code in faults.codes:
        mode = j1939.FAILURE_MODES.get(code.mode)
        out.append(code.text + (f" ({mode})" if mode else ""))
    return out
