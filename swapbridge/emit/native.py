"""Emit room: the emitted C, built on the spot and called from Python: the very code that goes on a board.

`NativeTranslator` has the interface of `bridge.Translator` and gives the same frames; `run_batch` runs a whole
capture's columns in one call.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.core.errors import InputError
from swapbridge.core.layout import MAX_PAYLOAD_BYTES
from swapbridge.core.toolchain import shared_object
from swapbridge.emit.emit_c import native_sources
from swapbridge.plan.plan import AddressClaim, Plan
from swapbridge.plan.python.translator import SentFrame

PREFIX = "bridge"
_FRESH, _BAD, _DROPPED, _LOST = range(4)


@dataclass(frozen=True, slots=True)
class SentColumns:
    """Frames that a translator sent, one row a frame, in the order sent.

    Attributes
    ----------
    time_us : (N,) int64
        Microseconds on the clock of the frames handed in.
    bus : (N,) uint8
    word : (N,) uint32
        Identifier words.
    length : (N,) uint8
        Payload bytes.
    payload : (N, 8) or (N, 64) uint8
        Zero beyond `length`.
    is_fd : (N,) bool
    """

    time_us: npt.NDArray[np.int64]
    bus: npt.NDArray[np.uint8]
    word: npt.NDArray[np.uint32]
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]
    is_fd: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.time_us)


class NativeTranslator:
    """A plan's translator in C, with the interface of `Translator`.

    Building takes about a second the first time a plan is used and no time afterwards: the built library is cached.

    Parameters
    ----------
    plan : Plan
        The plan to run; it is checked again here.
    optimised : bool, optional
        False for a plan that is played once: it is built in less than half of the time and runs more slowly.

    Raises
    ------
    MissingToolError
        There is no C compiler on this machine.
    InputError
        The plan is not valid, or the compiler lays out frames in another way than this program reads.
    """

    def __init__(self, plan: Plan, *, optimised: bool = True) -> None:
        self.plan = plan
        self._calls = _library(_ThisPlan(plan), optimised)
        self._bus_count = len(plan.buses)
        self._frame_type = _frame_type(64 if any(b.fd for b in plan.buses) else 8)
        if self._calls.frame_bytes() != self._frame_type.itemsize:
            raise InputError("the C compiler lays out frames in an unexpected way: use the Python engine")
        self._memory = ctypes.create_string_buffer(self._calls.state_bytes())
        self._frame = ctypes.create_string_buffer(self._frame_type.itemsize)
        # Plain numbers pass through ctypes quickest.
        self._state = ctypes.addressof(self._memory)
        self._frame_at = ctypes.addressof(self._frame)
        self._data_at = self._frame_at + self._frame_type.fields["data"][1]  # type: ignore[index]
        self._hand_over, self._poll, self._next_poll = self._calls.hand_over, self._calls.poll, self._calls.next_poll
        self._clock = ctypes.c_int64(0)
        self._clock_known = False
        self._calls.init(self._state)

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        """Hand over a received frame; `now` is taken modulo 2**32 microseconds.

        Raises
        ------
        InputError
            No such bus in the plan, or more than 64 bytes.
        """
        if type(data) is not bytes:
            data = bytes(data)
        if not self._hand_over(self._state, bus, word, data, len(data), now):
            raise InputError(
                f"a frame of {len(data)} bytes on bus {bus} can't be translated: the plan has {self._bus_count} buses "
                f"and no frame has more than {MAX_PAYLOAD_BYTES} bytes"
            )

    def poll(self, now: int) -> SentFrame | None:
        """Do what is due; the frame to send, or None."""
        if self._poll(self._state, now, self._frame_at):
            return None
        raw = self._frame.raw
        return SentFrame(raw[4], int.from_bytes(raw[:4], sys.byteorder), ctypes.string_at(self._data_at, raw[5]))

    def next_poll(self, now: int) -> int:
        """The time, modulo 2**32 microseconds, at which `poll` may next do something."""
        return self._next_poll(self._state, now)  # type: ignore[no-any-return]

    @property
    def state(self) -> int:
        """Number of the present state (`swapbridge.plan.plan.STATES`)."""
        return self.slot(0)

    def feed_fresh(self, number: int) -> bool:
        """Whether a feed is fresh, as of the last poll that looked."""
        return bool(self._calls.report(self._state, _FRESH, range(len(self.plan.feeds))[number]))

    @property
    def bad_frames(self) -> int:
        """Frames received that were too short or whose checksum or counter was wrong."""
        return int(self._calls.report(self._state, _BAD, 0))

    @property
    def dropped_frames(self) -> int:
        """Passed frames dropped because the pass queue was full."""
        return int(self._calls.report(self._state, _DROPPED, 0))

    @property
    def lost_addresses(self) -> tuple[AddressClaim, ...]:
        """J1939 addresses that another node claimed."""
        return tuple(c for n, c in enumerate(self.plan.claims) if self._calls.report(self._state, _LOST, n))

    def slot(self, number: int) -> int:
        """Value of a slot, for tests and reports."""
        return int(self._calls.slot(self._state, range(len(self.plan.slots))[number]))

    def run_batch(
        self,
        time_us: npt.NDArray[np.int64],
        bus: npt.NDArray[np.uint8],
        word: npt.NDArray[np.uint32],
        length: npt.NDArray[np.uint8],
        payload: npt.NDArray[np.uint8],
        until_us: int | None = None,
    ) -> SentColumns:
        """Run many frames, polling between them at every time that `next_poll` gives, as a caller never late would.

        What is due up to and including a frame's own time is sent before the frame is handed over. State is kept:
        the next call continues where this one ended, on the same clock.

        Parameters
        ----------
        time_us : (N,) int64
            Microseconds, non-decreasing, not before those of the last call.
        bus, word, length : (N,) uint8, uint32, uint8
            Bus number in the plan, identifier word, payload bytes.
        payload : (N, B) uint8
            At least as wide as the longest frame.
        until_us : int, optional
            Continue polling up to this time; by default the time of the last frame.

        Returns
        -------
        SentColumns
            The frames sent, as columns in the order of sending.

        Raises
        ------
        InputError
            Columns of different lengths, decreasing times, a bus or a length that the plan does not have.
        """
        time_us = np.ascontiguousarray(time_us, dtype=np.int64)
        columns = (
            np.ascontiguousarray(bus, dtype=np.uint8),
            np.ascontiguousarray(word, dtype=np.uint32),
            np.ascontiguousarray(length, dtype=np.uint8),
            np.ascontiguousarray(payload, dtype=np.uint8),
        )
        self._check_columns(time_us, *columns)
        count = len(time_us)
        if not self._clock_known and count:
            self._clock.value = int(time_us[0])
            self._clock_known = True
        end = until_us if until_us is not None else int(time_us[-1]) if count else self._clock.value
        done, room, parts = 0, max(1024, count), []
        made = ctypes.c_size_t(0)
        width = columns[3].shape[1]
        while True:
            sent = np.empty(room, dtype=self._frame_type)
            sent_time = np.empty(room, dtype=np.int64)
            used = self._calls.batch(
                self._state,
                ctypes.byref(self._clock),
                count - done,
                time_us[done:].ctypes.data,
                *(column[done:].ctypes.data for column in columns),
                width,
                end,
                room,
                sent_time.ctypes.data,
                sent.ctypes.data,
                ctypes.byref(made),
            )
            parts.append((sent_time[: made.value], sent[: made.value]))
            if used == count - done:
                break
            done = min(count, done + used)
        return self._sent_columns(parts)

    def _check_columns(
        self,
        time_us: npt.NDArray[np.int64],
        bus: npt.NDArray[np.uint8],
        word: npt.NDArray[np.uint32],
        length: npt.NDArray[np.uint8],
        payload: npt.NDArray[np.uint8],
    ) -> None:
        count = len(time_us)
        if payload.ndim != 2 or any(len(c) != count for c in (bus, word, length, payload)):
            raise InputError("the columns of a batch must have the same number of rows, and payload two dimensions")
        if not count:
            return
        if self._clock_known and int(time_us[0]) < self._clock.value:
            raise InputError("a batch begins before the last one ended: hand batches over in the order of time")
        if np.any(time_us[1:] < time_us[:-1]):
            raise InputError("the times of a batch decrease somewhere: sort the frames by time first")
        if int(bus.max()) >= self._bus_count:
            raise InputError(f"a frame is on bus {int(bus.max())}, the plan has {self._bus_count} buses")
        longest = min(payload.shape[1], MAX_PAYLOAD_BYTES)
        if int(length.max()) > longest:
            raise InputError(f"a frame has {int(length.max())} bytes, more than {longest}: leave such frames out")

    def _sent_columns(self, parts: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.void]]]) -> SentColumns:
        time_us, frames = parts[0] if len(parts) == 1 else map(np.concatenate, zip(*parts, strict=True))
        bus, word, length, data, is_fd = (
            np.ascontiguousarray(frames[name]) for name in ("bus", "word", "length", "data", "is_fd")
        )
        return SentColumns(time_us, bus, word, length, data, is_fd)


def _frame_type(data_bytes: int) -> np.dtype[np.void]:
    """The C structure of a frame: four bytes of identifier word, then single bytes, padded to four."""
    return np.dtype(
        {
            "names": ["word", "bus", "length", "is_fd", "data"],
            "formats": ["u4", "u1", "u1", "?", ("u1", (data_bytes,))],
            "offsets": [0, 4, 5, 6, 7],
            "itemsize": -(-(7 + data_bytes) // 4) * 4,
        }
    )


@dataclass(frozen=True, slots=True)
class _Calls:
    """The functions of a built translator."""

    init: Callable[..., Any]
    hand_over: Callable[..., Any]
    poll: Callable[..., Any]
    next_poll: Callable[..., Any]
    batch: Callable[..., Any]
    slot: Callable[..., Any]
    report: Callable[..., Any]
    state_bytes: Callable[..., Any]
    frame_bytes: Callable[..., Any]


@dataclass(frozen=True, slots=True, eq=False)
class _ThisPlan:
    """A plan as a key that is found by being the same object: comparing whole plans would take as long as writing C."""

    plan: Plan

    def __hash__(self) -> int:
        return id(self.plan)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ThisPlan) and self.plan is other.plan


@lru_cache(maxsize=16)
def _library(key: _ThisPlan, optimised: bool) -> _Calls:
    flags = ("-std=c99", "-O2" if optimised else "-O0")
    return _load(shared_object(native_sources(key.plan, PREFIX), flags))


@lru_cache(maxsize=64)
def _load(path: Path) -> _Calls:
    # Single calls take well under a microsecond, so the interpreter's lock is kept for them (PyDLL); the batch call
    # lets it go (CDLL).
    quick, long = ctypes.PyDLL(str(path)), ctypes.CDLL(str(path))
    pointer, size = ctypes.c_void_p, ctypes.c_size_t
    u32, i64 = ctypes.c_uint32, ctypes.c_int64

    def declared(library: ctypes.CDLL, name: str, result: Any, *arguments: Any) -> Callable[..., Any]:
        function = library[f"{PREFIX}_{name}"]
        function.restype, function.argtypes = result, arguments
        return function

    return _Calls(
        init=declared(quick, "init", None, pointer),
        hand_over=declared(quick, "hand_over", ctypes.c_int, pointer, u32, u32, ctypes.c_char_p, u32, u32),
        poll=declared(quick, "poll", ctypes.c_int, pointer, u32, pointer),
        next_poll=declared(quick, "next_poll_us", u32, pointer, u32),
        batch=declared(
            long,
            "batch",
            size,
            pointer,
            ctypes.POINTER(i64),
            size,
            *([pointer] * 5),
            size,
            i64,
            size,
            pointer,
            pointer,
            ctypes.POINTER(size),
        ),
        slot=declared(quick, "slot", i64, pointer, u32),
        report=declared(quick, "report", u32, pointer, u32, u32),
        state_bytes=declared(quick, "state_bytes", size),
        frame_bytes=declared(quick, "frame_bytes", size),
    )
