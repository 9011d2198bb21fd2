"""Bus room: between python-can's messages, captures, and the identifier words of the translator."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from swapbridge.capture.buses import buses_of
from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.capture.python_can import can
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT, split_word
from swapbridge.plan.j1939_node import OWN_MASK, own_words
from swapbridge.plan.plan import Plan, Send

_ROWS = 4096


class TimedFrame(NamedTuple):
    """A frame to be sent at a time: nanoseconds on its own clock, bus number, message."""

    time_ns: int
    bus: int
    message: can.Message


def word_of(message: can.Message) -> int:
    """Identifier word of a message."""
    return message.arbitration_id | EXTENDED_BIT if message.is_extended_id else message.arbitration_id


def flags_of(message: can.Message) -> int:
    """Flags of a message, as in a capture."""
    return (
        (EXTENDED if message.is_extended_id else 0)
        | (FD if message.is_fd else 0)
        | (ERROR if message.is_error_frame else 0)
        | (REMOTE if message.is_remote_frame else 0)
        | (0 if message.is_rx else SENT)
        | (BIT_RATE_SWITCH if message.bitrate_switch else 0)
    )


def message_of(word: int, data: bytes, *, fd: bool = False, switch: bool = False) -> can.Message:
    """A message to be sent."""
    identifier, extended = split_word(word)
    return can.Message(
        arbitration_id=identifier,
        is_extended_id=extended,
        data=data,
        is_fd=fd,
        bitrate_switch=switch,
        is_rx=False,
    )


class FrameForms:
    """Which of a plan's frames are CAN FD and switch the bit rate."""

    def __init__(self, plan: Plan) -> None:
        self._fd = {(send.bus, send.word) for send in plan.sends if send.is_fd}
        self._switch = [bus.fd and bus.data_rate > bus.bit_rate for bus in plan.buses]

    def message(self, bus: int, word: int, data: bytes) -> can.Message:
        """The message for a frame that the translator wants sent; a passed frame is FD where it has to be."""
        fd = (bus, word) in self._fd or len(data) > 8
        return message_of(word, data, fd=fd, switch=fd and self._switch[bus])


class MessageForms:
    """Which form of its message a frame is.

    Forms are recognised by bits that are fixed in every form and not the same in all: the multiplexer's, first of all.
    Other bits do not count, so that another node's frame of the same message is known too.
    """

    def __init__(self, send: Send) -> None:
        self._length = send.length
        bases = [int.from_bytes(form.base, "little") for form in send.variants]
        self._mask = 0
        for base in bases:
            self._mask |= base ^ bases[0]
        made = [part.layout for part in (*send.counters, send.checksum) if part is not None]
        for layout in (*made, *(one.layout for form in send.variants for one in form.fields)):
            for position in layout.positions:
                self._mask &= ~(1 << position)
        self._forms = {base & self._mask: number for number, base in reversed(list(enumerate(bases)))}

    def form(self, data: bytes) -> int | None:
        """Number of the form in the plan; None for a frame that is of none."""
        if len(data) < self._length:
            return None
        return self._forms.get(int.from_bytes(data, "little") & self._mask)


def playable(capture: Capture) -> Capture:
    """Frames that can be sent, in the order of time: error frames can't."""
    kept = capture.select((capture.flags & ERROR) == 0)
    if len(kept) and bool((np.diff(kept.time_ns) < 0).any()):
        kept = kept.select(np.argsort(kept.time_ns, kind="stable"))
    return kept


def frames_in(capture: Capture) -> Iterator[TimedFrame]:
    """Frames of a capture as messages, made only when they are wanted."""
    for start in range(0, len(capture), _ROWS):
        part = capture.select(slice(start, start + _ROWS))
        rows = zip(
            part.time_ns.tolist(),
            part.bus.tolist(),
            part.identifier.tolist(),
            part.flags.tolist(),
            part.length.tolist(),
            part.payload,
            strict=True,
        )
        for time_ns, bus, identifier, flags, length, payload in rows:
            remote = bool(flags & REMOTE)
            message = can.Message(
                arbitration_id=identifier,
                is_extended_id=bool(flags & EXTENDED),
                is_remote_frame=remote,
                is_fd=bool(flags & FD),
                bitrate_switch=bool(flags & BIT_RATE_SWITCH),
                dlc=length,
                data=None if remote else payload[:length].tobytes(),
                is_rx=False,
            )
            yield TimedFrame(time_ns, bus, message)


def plan_bus_of(plan: Plan, capture: Capture, bus: str | None = None) -> dict[int, int]:
    """Which bus of a plan each bus of a capture is: bus number in the capture to bus number in the plan.

    Parameters
    ----------
    bus : str or None
        Name of the plan's bus that the capture was taken on; None takes the buses of the same names, else, for a
        capture of one bus, the one called ``donor``, else the one that the plan listens to most.

    Raises
    ------
    InputError
        It can't be told.
    """
    names = [one.name for one in plan.buses]
    heard = [sum(receive.bus == number for receive in plan.receives) for number in range(len(names))]
    usual = "donor" if "donor" in names else names[heard.index(max(heard))]
    return {number: names.index(name) for number, name in buses_of(capture, names, bus, usual).items()}


def without_planned(plan: Plan, capture: Capture, where: Mapping[int, int]) -> Capture:
    """Frames of the buses in `where` that the plan does not send itself: those came from modules it stands in for."""
    kept = np.zeros(len(capture), dtype=np.bool_)
    words = capture.words
    for number, to in where.items():
        planned = np.array([send.word for send in plan.sends if send.bus == to], dtype=np.uint32)
        own = np.array([word for bus, word in own_words(plan) if bus == to], dtype=np.uint32)
        kept |= (capture.bus == number) & ~np.isin(words, planned) & ~np.isin(words & np.uint32(OWN_MASK), own)
    return capture.select(kept)


def bus_numbers(given: Sequence[str], names: Sequence[str]) -> dict[str, int]:
    """Which of the buses `names` each of the `given` names means; one given bus means a single one of any name.

    Raises
    ------
    InputError
        A given name is none of them.
    """
    if len(given) == 1 and len(names) == 1:
        return {given[0]: 0}
    for name in given:
        if name not in names:
            raise InputError(f"the capture has no bus {name!r}: use one of its buses ({', '.join(names)})")
    return {name: list(names).index(name) for name in given}
