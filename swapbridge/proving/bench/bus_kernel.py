"""Proving room: the simulated bus in C where this computer has a compiler: `bus_events.c`, built on first use and kept.

It takes what most simulations are: one node under test, and buses without errors. Whatever else there is, and wherever
it can't be built, `simulated_bus.py` does the same, only later; the tests hold the two to be equal.
"""

from __future__ import annotations

import ctypes
import heapq
from collections.abc import Callable, Sequence
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.progress import Progress
from swapbridge.core.toolchain import c_library
from swapbridge.plan.program import FrameLike
from swapbridge.proving.bench.nodes import NodeUnderTest, Polled, ReceivedFrame, Sent, arbitration_rank

Timed = tuple[int, int, Callable[[int], None]]
"""When, which of those at one moment, and what happens."""

POLL, RECEIVED, TIMED, END = range(4)
"""What C stops at: the node's turn, a frame that it hears, something timed in Python, the end of the run."""
(
    EVENT_NS, EVENT_BUS, EVENT_ROW, TIMED_NS, UNTIL_NS, GIVEN_BUS, GIVEN_RANK, GIVEN_TOKEN, GIVEN_DURATION_NS,
    NODE_DUE_NS,
) = range(10)  # fmt: skip
"""Places in what Python and C tell each other."""
NOTHING_TIMED = (1 << 63) - 1
MOST_KNOWN = 1 << 16
_new_tuple = tuple.__new__
"""Makes a named tuple of a tuple, without the call that its own constructor is."""


class BusColumns(NamedTuple):
    """One bus as it begins, in (N,) columns of int64; those of `release` and `next_heard` have one row more."""

    word: npt.NDArray[np.int64]
    order: npt.NDArray[np.int64]
    release: npt.NDArray[np.int64]
    start: npt.NDArray[np.int64]
    duration: npt.NDArray[np.int64]
    heard_row: npt.NDArray[np.int64]
    heard_ns: npt.NDArray[np.int64]
    next_heard: npt.NDArray[np.int64]
    calm: npt.NDArray[np.uint8]
    intermission_ns: int


class BusRows(NamedTuple):
    """What a node hears of a bus: (N,) words and lengths, payloads one after the other; and how long a frame takes."""

    words: memoryview
    lengths: memoryview
    payloads: bytes
    width: int
    frame_ns: Callable[[int, bytes], int]


@lru_cache(maxsize=1)
def bus_kernel() -> Any | None:
    """The functions in C, or None where they can't be had.

    Returns
    -------
    ctypes.CDLL or None
        `bus_events.c`, ready to be called.
    """
    found = c_library("swapbridge.proving.bench", "bus_events.c")
    if found is None:
        return None
    pointer, number, size = ctypes.c_void_p, ctypes.c_int64, ctypes.c_size_t
    for name, result, arguments in (
        ("buses_new", pointer, [size, pointer, number]),
        ("buses_free", None, [pointer]),
        ("bus_columns", ctypes.c_int, [pointer, size, pointer, pointer, pointer, number, number, number]),
        ("advance", ctypes.c_int, [pointer]),
        ("power", None, [pointer, ctypes.c_int]),
        ("take_sent", size, [pointer, pointer]),
        ("bus_figures", None, [pointer, size, pointer]),
    ):
        function = getattr(found, name)
        function.restype, function.argtypes = result, arguments
    return found


class KernelBuses:
    """Buses in C, with one node under test.

    Parameters
    ----------
    kernel
        What `bus_kernel` gives.
    columns, rows : sequence of BusColumns, sequence of BusRows
        The buses.
    latency_ns : int
        From the program's decision to the frame in its controller.
    """

    def __init__(self, kernel: Any, columns: Sequence[BusColumns], rows: Sequence[BusRows], latency_ns: int) -> None:
        self._kernel = kernel
        self._shared = np.zeros(10, np.int64)
        self._columns, self._rows = columns, rows
        self._groups = [np.unique(one.word, return_inverse=True) for one in columns]
        self._longest = [np.zeros(len(words) + 1, np.int64) for words, _ in self._groups]
        self._frames: dict[int, FrameLike] = {}
        self._tokens = 0
        self._handle = kernel.buses_new(len(columns), self._shared.ctypes.data, latency_ns)
        if not self._handle:
            raise MemoryError
        for number, (one, (_, group), longest) in enumerate(zip(columns, self._groups, self._longest, strict=True)):
            pointers = (ctypes.c_void_p * 9)(*(column.ctypes.data for column in one[:8]), group.ctypes.data)
            if not kernel.bus_columns(
                self._handle, number, pointers, one.calm.ctypes.data, longest.ctypes.data, len(one.word),
                len(one.heard_row), one.intermission_ns,
            ):  # fmt: skip
                raise MemoryError

    def __del__(self) -> None:
        if getattr(self, "_handle", None):
            self._kernel.buses_free(self._handle)

    def run(self, node: NodeUnderTest, timed: list[Timed], until_ns: int, progress: Progress | None = None) -> None:
        """Let time pass until nothing is due at or before `until_ns`.

        What happens to the node is what `NodeUnderTest.receive` and `NodeUnderTest.step` do, in line.

        Parameters
        ----------
        node
            The node under test.
        timed
            A heap of moments and what happens then in Python.
        until_ns
            The end.
        progress
            Told how far it is.
        """
        shared, advance = self._shared.data, partial(self._kernel.advance, self._handle)
        shared[UNTIL_NS] = until_ns
        turns, known, frames, token = 0, dict[tuple[int, int, bytes], tuple[int, int]](), self._frames, self._tokens
        kind = TIMED
        while kind != END:
            shared[TIMED_NS] = timed[0][0] if timed else NOTHING_TIMED
            self._kernel.power(self._handle, node.powered)
            shared[NODE_DUE_NS] = node.due_ns
            clock_us, keep = node.clock_us, None if node.trace is None else node.trace.append
            on_frame, poll, next_poll = node.program.on_frame, node.program.poll, node.program.next_poll
            stalls = node.stalls
            while (kind := advance()) < TIMED:
                t = shared[EVENT_NS]
                now = (t // 1000 + clock_us) & 0xFFFF_FFFF
                if kind == RECEIVED:
                    if not node.powered:
                        continue
                    bus, row = shared[EVENT_BUS], shared[EVENT_ROW]
                    words, lengths, payloads, width, _ = self._rows[bus]
                    word, at = words[row], row * width
                    data = payloads[at : at + lengths[row]]
                    if keep is not None:
                        keep(_new_tuple(ReceivedFrame, (now, bus, word, data)))
                    on_frame(bus, word, data, now)
                    if node.hears_nothing_new(bus, word, t):
                        continue
                    wait = (next_poll(now) - now) & 0xFFFF_FFFF
                    shared[NODE_DUE_NS] = t if wait >= 0x8000_0000 or not wait else (t // 1000 + wait) * 1000
                else:
                    frame = poll(now)
                    node.polls += 1
                    if keep is not None:
                        keep(_new_tuple(Polled, (now, frame)))
                    if frame is not None:
                        key = bus, word, data = frame.bus, frame.word, frame.data
                        found = known.get(key)
                        if found is None:
                            if len(known) > MOST_KNOWN:
                                known.clear()
                            found = known[key] = arbitration_rank(word), self._rows[bus].frame_ns(word, data)
                        token += 1
                        frames[token] = frame
                        shared[GIVEN_BUS], shared[GIVEN_TOKEN] = bus, token
                        shared[GIVEN_RANK], shared[GIVEN_DURATION_NS] = found
                    wait = (next_poll(now) - now) & 0xFFFF_FFFF
                    if wait and wait < 0x8000_0000:
                        stalls = 0
                        shared[NODE_DUE_NS] = (t // 1000 + wait) * 1000
                    else:
                        stalls += 1
                        node.stalled(stalls)
                        shared[NODE_DUE_NS] = t
                turns += 1
                if progress is not None and not turns & 0x3FFFF:
                    progress(t / until_ns, f"{t / 1e9:,.0f} s of bus time")
            self._tokens, node.stalls, node.due_ns = token, stalls, shared[NODE_DUE_NS]
            self._take_sent(node)
            if kind > END:
                raise MemoryError
            if kind == TIMED:
                heapq.heappop(timed)[2](shared[EVENT_NS])

    def _take_sent(self, node: NodeUnderTest) -> None:
        """What got through since this was asked last is sent."""
        rows = np.empty((self._kernel.take_sent(self._handle, None), 3), np.int64)
        if not len(rows):
            return
        self._kernel.take_sent(self._handle, rows.ctypes.data)
        node.sent_count += len(rows)
        take, keep = self._frames.pop, node.sent.append
        for at, token, asked in rows.tolist():
            frame = take(token)
            if node.keep_sent:
                keep(_new_tuple(Sent, (at, frame.bus, frame.word, frame.data, asked)))

    def longest_ns(self, number: int) -> dict[int, int]:
        """By word, the longest time from asking to received of recorded frames that went frame by frame on a bus."""
        words, longest = self._groups[number][0], self._longest[number]
        return {int(word): int(ns) for word, ns in zip(words, longest, strict=False) if ns > 0}

    def figures(self, number: int) -> tuple[int, int]:
        """Busy time of the node's frames on a bus in ns, and frames in its controller that a newer one replaced."""
        out = np.zeros(2, np.int64)
        self._kernel.bus_figures(self._handle, number, out.ctypes.data)
        return int(out[0]), int(out[1])
