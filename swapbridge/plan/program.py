"""Plan room: what rooms that run a translator ask of it: the one in Python, the one in C, or a model in a test."""

from __future__ import annotations

from typing import Protocol

from swapbridge.plan.plan import AddressClaim


class FrameLike(Protocol):
    """A frame to be sent: bus number of the plan, identifier word, payload."""

    @property
    def bus(self) -> int: ...
    @property
    def word(self) -> int: ...
    @property
    def data(self) -> bytes: ...


class Program(Protocol):
    """A node's program. Times are microseconds modulo 2**32."""

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received."""

    def poll(self, now: int) -> FrameLike | None:
        """At most one frame to send."""

    def next_poll(self, now: int) -> int:
        """When `poll` could next have something to do."""


class TranslatorLike(Program, Protocol):
    """A program that also reports its condition: what is fresh, its state, what it refused and dropped."""

    def feed_fresh(self, number: int) -> bool:
        """Whether a feed of the plan is fresh."""

    @property
    def state(self) -> int: ...
    @property
    def bad_frames(self) -> int: ...
    @property
    def dropped_frames(self) -> int: ...
    @property
    def lost_addresses(self) -> tuple[AddressClaim, ...]: ...
