"""Proving room: network management: what keeps a bus awake says what the old sender said, and stops as it did.

A message is network management where bridge file or map say so, or where the recording shows a ring: nodes that hand a
token on, each frame naming the next sender (direct network management of OSEK/VDX NM; which byte names the next is left
to the vehicle there, so each is looked at). A token that nobody handed over stops a ring; nothing in a recording of one
may be repeated on another vehicle's bus.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.plan.plan import Send
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.case import Case
from swapbridge.proving.judges.behaviour.asleep import ASLEEP_S, SETTLED_S, key_of
from swapbridge.proving.judges.recordings.driving import held_at
from swapbridge.proving.judges.runs.begin_and_end import FallingAsleep, key_bus, old_ends
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage

Floats = npt.NDArray[np.float64]
FEWEST = 3
NODE_MASKS = (0xFF, 0x3F, 0x1F)
"""Lowest bits of an identifier that may be a node's number."""
FEWEST_TOKENS, HANDED_ON = 20, 0.9
TOKEN_S = 1.0
"""A ring that stands still for longer has ended (OSEK/VDX NM's usual maximum is 260 ms; value from memory)."""
MORE_UNASKED = 0.05
"""Frames without a token that a starting node sends more than the old one did."""
PHASES = ("first after a silence", "with the key on", "with the key off", "while awake", "last before it sleeps")


@dataclass(frozen=True, slots=True)
class _Ring:
    """Identifiers of one bus that hand a token on: lowest bits that number a node, and the byte that names the next."""

    mask: int
    byte: int


@dataclass(frozen=True, slots=True)
class _PhaseBits:
    """Bits that were ever 1 and ever 0 in the frames of one phase."""

    one: npt.NDArray[np.uint8]
    zero: npt.NDArray[np.uint8]


def judge_network_management(case: Case, falling: FallingAsleep) -> list[Check]:
    """Everything that is sent as network management, against the old sender's recording."""
    out: list[Check] = []
    for send in (s for s in case.plan.sends if s.request is None):
        old, new = case.old(send.bus, send.word), case.sent.get((send.bus, send.word))
        ring = ring_of(case, send)
        if not _is_management(case, send) and ring is None:
            continue
        if old is None or len(old) < FEWEST:
            out.append(_without_evidence(send))
        elif new is not None and len(new):
            if ring is not None:
                out += _tokens(case, send, ring, old, new)
            out += _phase_checks(case, send, old, new, falling)
            out += _stops(case, send, old)
    return out


def _is_management(case: Case, send: Send) -> bool:
    bus = case.names[send.bus]
    message = case.maps[bus].by_word(send.word)
    rules = [r for r in case.bridge.messages if message is not None and r.message.text == f"{bus}.{message.name}"]
    stated = any(r.network_management for r in rules)
    return stated or (message is not None and message.evidence.get("network_management") is True)


def _without_evidence(send: Send) -> Check:
    return check_of(
        "form", send.name, "network management", False, "no frames of the old sender to compare with",
        "a recording of the old sender from waking until its bus sleeps",
        "record it in the vehicle it comes from, or leave the message out of the bridge file", otherwise="unproved",
    )  # fmt: skip


def _stops(case: Case, send: Send, old: Frames) -> Iterator[Check]:
    """An end that no recording shows is not proved: the battery depends on it."""
    keyed = any(c.subject == send.name and c.name == "after the key goes off" for c in case.checks)
    lacks = [] if keyed else ["how long it went on after the key went off"]
    lacks += [] if old_ends(case, send, old) else ["that it stopped before its bus slept"]
    yield check_of(
        "form", send.name, "network management ends", not lacks,
        f"the recording does not show {' nor '.join(lacks)}" if lacks else "compared with the old sender's",
        "a recording in which the key goes off and the bus then falls asleep, and key_on under [states]",
        "record the old sender until its bus sleeps, with the key noted beside the recording", otherwise="unproved",
    )  # fmt: skip


# --- a ring


def ring_of(case: Case, send: Send) -> _Ring | None:
    """The ring of which an identifier is one node, by the recording alone."""
    capture = case.bench.captures[send.bus]
    if capture is None:
        return None
    words, times = words_of(capture), capture.time_ns / 1e9
    for mask in NODE_MASKS:
        block = np.flatnonzero((words & ~mask) == (send.word & ~mask))
        for byte in range(int(capture.length[block].min(initial=8))):
            named = capture.payload[block, byte]
            nodes = [w for w in np.unique(words[block]).tolist() if _names_nodes(words[block] & mask, named, w & mask)]
            rows = block[np.isin(words[block], nodes)]
            follows = np.diff(times[rows]) < TOKEN_S
            following = (words[rows][1:] & mask)[follows]
            if send.word not in nodes or len(following) < FEWEST_TOKENS or len(np.unique(following)) < 2:
                continue
            if (capture.payload[rows, byte][:-1][follows] == following).mean() >= HANDED_ON:
                return _Ring(mask, byte)
    return None


def _names_nodes(nodes: npt.NDArray[np.int64], named: npt.NDArray[np.uint8], node: int) -> bool:
    """Whether a byte of a node's frames holds the number of another one."""
    others = np.unique(nodes[nodes != node])
    return bool(np.isin(named[nodes == node], others).mean() >= HANDED_ON)


def _tokens(case: Case, send: Send, ring: _Ring, old: Frames, new: Frames) -> Iterator[Check]:
    """A token is sent by who was handed it, once for each, as soon as the old sender did."""
    capture = case.bench.captures[send.bus]
    assert capture is not None
    words = words_of(capture)
    handed = ((words & ~ring.mask) == (send.word & ~ring.mask)) & (words != send.word)
    handed &= capture.payload[:, ring.byte] == (send.word & ring.mask)
    times = (capture.time_ns[handed] - case.bench.begin_ns[send.bus]) / 1e9
    was, waited_s = unasked(times, old.time_ns / 1e9, TOKEN_S)
    now, _ = unasked(times, new.time_ns / 1e9, waited_s + 0.01)
    yield check_of(
        "form", send.name, "ring token", now <= was + MORE_UNASKED,
        f"{100 * now:.0f} % of its frames hand on a token that it was not given; the old sender {100 * was:.0f} %",
        "none but the first after waking: a token that nobody handed over disturbs the whole ring",
        "leave this message out of the bridge file: a ring goes on without a module that is gone",
    )  # fmt: skip


def unasked(handed_s: Floats, sent_s: Floats, within_s: float) -> tuple[float, float]:
    """Share of frames that no token of their own came before, and the longest wait of those that one did."""
    before = np.searchsorted(handed_s, sent_s, "right") - 1
    there = before >= 0
    wait = np.where(there, sent_s - handed_s[np.maximum(before, 0)] if len(handed_s) else 0.0, np.inf)
    again = np.r_[False, before[1:] == before[:-1]] if len(before) else np.zeros(0, bool)
    asked = there & (wait <= within_s) & ~again
    return float(1 - asked.mean()), float(wait[asked].max(initial=0.0))


# --- what it says


def _phase_checks(case: Case, send: Send, old: Frames, new: Frames, falling: FallingAsleep) -> Iterator[Check]:
    """No bit of it is ever other than the old sender's was in the same phase: alive, limp and sleep bits among them."""
    message = case.maps[case.names[send.bus]].by_word(send.word)
    key_number = key_bus(case)
    then = _phases(case, send, send.bus, old, recorded=True)
    now = _phases(case, send, send.bus if key_number is None else key_number, new, recorded=False)
    last = falling.sent.get((send.bus, send.word))
    if last is not None:
        now[PHASES[-1]] = _bits_of_phase(last, np.arange(len(last)) == len(last) - 1)
    judged = _judged_bits(message, old.payload.shape[1])
    whole = _bits_of_phase(old, np.ones(len(old), bool))
    if not (whole.one & whole.zero & judged).any():  # what never moved from first to last did not in between either
        then = {**dict.fromkeys(PHASES[1:4], whole), **then}
    wrong, unseen = [], []
    for phase, ever in now.items():
        if phase not in then:
            unseen.append(phase)
            continue
        for value, ours, theirs in ((1, ever.one, then[phase].one), (0, ever.zero, then[phase].zero)):
            for at, bits in enumerate((ours & ~theirs & judged).tolist()):
                wrong += [f"{_bit(message, at, b)} is {value} {phase}" for b in range(8) if bits >> b & 1]
    yield check_of(
        "form", send.name, "network management says", not wrong and not unseen,
        f"{'; '.join(wrong)}, which the old sender's never was" if wrong
        else f"no frame of the old sender {' nor '.join(unseen)}" if unseen else "every bit as the old sender's",
        "bits as the old sender's in the same phase: one that says alive, limp home or ready to sleep moves every "
        "module", "make those bits of its own state, or leave this message out of the bridge file" if wrong
        else "record the old sender from waking until its bus sleeps", otherwise="fail" if wrong else "unproved",
    )  # fmt: skip


def _judged_bits(message: MapMessage | None, size: int) -> npt.NDArray[np.uint8]:
    """(bytes,) bits that are compared: all except counters and checksums, which have judges of their own."""
    mask = bytearray(b"\xff" * size)
    for signal in message.signals if message is not None else ():
        if (signal.counter is not None or signal.checksum is not None) and signal.layout.fits(size):
            for position in signal.layout.positions:
                mask[position >> 3] &= ~(1 << (position & 7)) & 0xFF
    return np.frombuffer(bytes(mask), np.uint8)


def _bit(message: MapMessage | None, byte: int, bit: int) -> str:
    at = 8 * byte + bit
    name = next((s.name for s in (message.signals if message is not None else ()) if at in s.layout.positions), "")
    return f"byte {byte} bit {bit}" + (f" ({name})" if name else "")


def _phases(case: Case, send: Send, bus: int, frames: Frames, *, recorded: bool) -> dict[str, _PhaseBits]:
    """What frames said in each phase that they show; frames near a move of the key belong to no phase.

    A recording may begin or end while its sender goes on; the translator begins asleep, and its last frames come from
    another run.
    """
    times = frames.time_ns / 1e9
    apart = max(ASLEEP_S, 3 * max(send.period_us / 1e6, float(np.median(np.diff(times))) if len(times) > 1 else 0.0))
    cuts = np.flatnonzero(np.diff(times) > apart)
    first, last = np.zeros(len(times), bool), np.zeros(len(times), bool)
    first[np.r_[0, cuts + 1]], last[cuts] = True, True
    capture = case.bench.captures[send.bus]
    if recorded and capture is not None:
        whole = (capture.time_ns - case.bench.begin_ns[send.bus])[[0, -1]] / 1e9
        first[0] &= times[0] - whole[0] > apart / 3  # else the recording began, and not its sender
        last[-1] |= whole[1] - times[-1] > apart
    key = key_of(case, bus)
    inside = ~first & ~last
    if key is None:
        phases = {PHASES[0]: first, PHASES[3]: inside, PHASES[4]: last}
    else:
        around = np.array([np.nan_to_num(held_at(key, times + s), nan=-1.0) for s in (-SETTLED_S, SETTLED_S)])
        on, off = (around > 0).all(axis=0), (around == 0).all(axis=0)
        phases = {PHASES[0]: first, PHASES[1]: inside & on, PHASES[2]: (inside | last) & off, PHASES[4]: last}
    if not recorded:
        phases.pop(PHASES[4])
    return {name: _bits_of_phase(frames, rows) for name, rows in phases.items() if rows.any()}


def _bits_of_phase(frames: Frames, rows: npt.NDArray[np.bool_]) -> _PhaseBits:
    payload = frames.payload[rows]
    return _PhaseBits(np.bitwise_or.reduce(payload, axis=0), np.bitwise_or.reduce(~payload, axis=0))
