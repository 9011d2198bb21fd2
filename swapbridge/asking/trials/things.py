"""Asking room: what is left out of a trial: whole messages, and bits that are held still in payloads that were heard.

A bit is held first at one of its values, then at the other, while everything else goes on as recorded: of the recorded
payloads only those with that value are played. Payloads are never mixed, so bits that move together in the recording
are held together, and the plan is told which bits were really held.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from swapbridge.asking.trials.permit import Sendable
from swapbridge.core.identifier_words import format_identifier, split_word


@dataclass(frozen=True, slots=True)
class Thing:
    """A message, or what of a message is held still together.

    Attributes
    ----------
    word : int
    bits : tuple of int
        Positions as `Layout.positions` counts them; empty for a whole message.
    signal : str
        A counter that stands still or a checksum that is wrong, by its name; "" for others.
    label : str
    """

    word: int
    bits: tuple[int, ...] = ()
    signal: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True)
class TrialPart:
    """One stretch of a trial.

    Attributes
    ----------
    played : dict of int to tuple of bytes
        Payloads that a word is sent with, in their order; a word that is not here is played as it was recorded.
    spoilt : frozenset of (int, str)
        Counters that stand still and checksums that are wrong.
    """

    played: dict[int, tuple[bytes, ...]] = field(default_factory=dict)
    spoilt: frozenset[tuple[int, str]] = frozenset()


class MessageBits:
    """The moving bits of one message, as things, and the payloads that hold any of them still.

    Parameters
    ----------
    one : Sendable
    """

    def __init__(self, one: Sendable) -> None:
        self._one = one
        rows = np.array([list(one.heard(data)) for data in one.payloads], np.uint8).reshape(len(one.payloads), -1)
        self._heard: npt.NDArray[np.uint8] = rows
        self._bits: npt.NDArray[np.uint64] = np.unpackbits(rows, axis=1, bitorder="little").astype(np.uint64)
        moved = np.flatnonzero((self._bits != self._bits[:1]).any(axis=0)).tolist()
        together: dict[bytes, list[int]] = {}
        for bit in moved:
            column = self._bits[:, bit] ^ self._bits[0, bit]
            together.setdefault(column.tobytes(), []).append(bit)
        made = [s for s in one.message.signals if s.counter is not None or s.checksum is not None]
        self.things = tuple(
            [Thing(one.word, tuple(bits), "", self._label(bits)) for bits in together.values()]
            + [Thing(one.word, s.layout.positions, s.name, f"{one.message.name}.{s.name}") for s in made]
        )
        """What can be held still; what never moved can't be anything else, and is no thing."""

    def parts(self, chosen: Iterable[int]) -> tuple[TrialPart, ...]:
        """Two stretches that hold these things still, at one value and then at the other; one where that is all."""
        things = [self.things[number] for number in chosen]
        spoilt = frozenset((thing.word, thing.signal) for thing in things if thing.signal)
        stretches = self._stretches(things)
        if not stretches:
            return (TrialPart({}, spoilt),)
        return tuple(TrialPart({self._one.word: self._rows(kept)}, spoilt) for kept in stretches)

    def held(self, chosen: Iterable[int]) -> tuple[int, ...]:
        """Which things stand still when these are held: they, and what never moves without them."""
        numbers = set(chosen)
        for kept in self._stretches([self.things[number] for number in numbers]):
            rows = self._heard[kept]
            moving = np.bitwise_or.reduce(rows, axis=0) ^ np.bitwise_and.reduce(rows, axis=0)
            moves = np.unpackbits(moving, bitorder="little")
            numbers |= {n for n, thing in enumerate(self.things) if not thing.signal and not moves[thing.bits[0]]}
        return tuple(sorted(numbers))

    def _stretches(self, things: Sequence[Thing]) -> list[npt.NDArray[np.bool_]]:
        """Which recorded payloads hold the things' bits at their usual values, and which at the most others."""
        columns = [thing.bits[0] for thing in things if not thing.signal]
        if not columns:
            return []
        keys = self._bits[:, columns] @ (np.uint64(1) << np.arange(len(columns), dtype=np.uint64))
        patterns, counts = np.unique(keys, return_counts=True)
        first = patterns[np.argmax(counts)]
        others = (patterns ^ first).view(np.uint8).reshape(len(patterns), -1)
        distance = np.unpackbits(others, axis=1).sum(axis=1)
        second = patterns[np.lexsort((counts, distance))[-1]]
        return [keys == pattern for pattern in dict.fromkeys((first, second))]

    def _rows(self, kept: npt.NDArray[np.bool_]) -> tuple[bytes, ...]:
        return tuple(self._one.payloads[row] for row in np.flatnonzero(kept).tolist())

    def _label(self, bits: Sequence[int]) -> str:
        """Signals of the map that the bits are of, and the bits."""
        message = self._one.message
        names = [s.name for s in message.signals if set(s.layout.positions) & set(bits)]
        where = "bit " + ", ".join(f"{bit >> 3}.{bit & 7}" for bit in bits)
        name = message.name or format_identifier(*split_word(message.word))
        return f"{name}.{'/'.join(names)} {where}" if names else f"{name} {where}"
