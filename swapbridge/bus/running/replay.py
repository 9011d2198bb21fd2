"""Bus room: playing frames onto buses with the timing of their capture, or so many times as fast."""

from __future__ import annotations

import threading
import time
from array import array
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swapbridge.bus.adapters.can_messages import FrameForms, TimedFrame, frames_in, plan_bus_of, playable, word_of
from swapbridge.bus.adapters.clock import monotonic_ns
from swapbridge.bus.adapters.opening import MALFORMED, not_taken, settle
from swapbridge.bus.running.permission import QUIET_US, Ear, playable_words
from swapbridge.capture.capture import Capture
from swapbridge.capture.python_can import can
from swapbridge.core.errors import BusError, InputError, RefusedError
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.progress import Announce, Progress
from swapbridge.plan.plan import Plan
from swapbridge.plan.program import TranslatorLike
from swapbridge.signalmap.signal_map import SignalMap

SPIN_NS = 150_000
"""The last stretch before a frame is due is waited for awake: sleeping overshoots by about as much (Linux)."""
LOOK_UP_NS = 50_000_000
"""A long wait is cut into pieces, so that a stop is heeded."""
SEND_TRIES = 50
SEND_WAIT_S = 0.002
_MASK = 0xFFFF_FFFF
_MOST_POLLS = 1000


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """How a replay went.

    Attributes
    ----------
    sent, failed : int
        Frames that a bus took; frames that none did.
    seconds : float
    late_ms : tuple of float
        Median, 99th percentile and worst lateness of a frame, in milliseconds.
    """

    sent: int
    failed: int
    seconds: float
    late_ms: tuple[float, float, float]


def replay(
    capture: Capture,
    buses: Mapping[int, can.BusABC],
    *,
    rate: float = 1.0,
    loops: int = 1,
    ids: Sequence[int] | None = None,
    plan: Plan | None = None,
    translator: Callable[[], TranslatorLike] | None = None,
    from_bus: str | None = None,
    wired: Collection[int] = (),
    maps: Mapping[int, SignalMap] | None = None,
    progress: Progress | None = None,
    announce: Announce | None = None,
    stop: threading.Event | None = None,
) -> ReplayReport:
    """Play a capture, or its translation, onto buses.

    Parameters
    ----------
    capture : Capture
        Frames to play.
    buses : mapping of int to can.BusABC
        Bus number (of the capture, or of the plan when translated) to an open bus; frames of other buses are left out.
    rate : float
        2 plays twice as fast.
    loops : int
        Number of times to play it; 0 plays until stopped.
    ids : sequence of int or None
        Identifier words to play; None plays all.
    plan, translator
        When given, the capture goes through a translator made by `translator` and what that sends is played.
    from_bus : str or None
        The plan's bus on which a capture of one bus was recorded.
    wired : collection of int
        Buses that may belong to a vehicle. They are monitored for ten seconds first and throughout, and no identifier
        is played that another node sent recently.
    maps : mapping of int to SignalMap
        Maps of wired buses, which determine which of a capture's frames may be played (`permission.choose`).
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.
    announce : callable
        Receives sentences for the user.
    stop : threading.Event or None
        Ends the replay when set.

    Returns
    -------
    ReplayReport
        Frames sent, duration in s, and lateness in ms.

    Raises
    ------
    InputError
        Nothing is left to play, or the rate is not above 0.
    RefusedError
        On a wired bus: nothing says what may be played, an identifier named is never played, or somebody sends it.
    BusError
        A bus takes no more frames.

    Examples
    --------
    >>> from swapbridge.capture.read import read_capture
    >>> capture = read_capture("captures/donor_alone.log.gz")
    >>> bus = can.Bus(interface="virtual", channel="example")
    >>> replay(capture, {0: bus}, rate=100.0).failed
    0
    >>> bus.shutdown()
    """
    if not rate > 0:
        raise InputError(f"the rate must be above 0, not {rate}: 1 is the original timing, 2 twice as fast")
    if loops < 0:
        raise InputError("the number of loops is 0 (until stopped) or more")
    frames = playable(capture)
    if ids is not None and plan is None:
        frames = frames.select(np.isin(frames.words, np.array(ids, dtype=np.uint32)))
    if plan is None:
        frames = frames.select(np.isin(frames.bus, np.array(sorted(buses), dtype=np.uint8)))
    announce = announce or (lambda words: None)
    if wired:
        frames = _permitted(frames, plan, wired, ids, maps or {}, rate, announce)
    if not len(frames):
        raise InputError(f"{capture.source or 'the capture'} holds no frame to play: check the identifiers and buses")
    first_ns, span_ns = int(frames.time_ns[0]), max(1, int(frames.time_ns[-1] - frames.time_ns[0]))

    def source() -> Iterator[TimedFrame]:
        if plan is None:
            return frames_in(frames)
        if translator is None:
            raise InputError("a plan is given without a translator")
        made = translate(plan, translator(), frames, from_bus)
        wanted = None if ids is None else set(ids)
        return (frame for frame in made if frame.bus in buses and (wanted is None or word_of(frame.message) in wanted))

    stop = stop or threading.Event()
    with _Listening({number: buses[number] for number in wired if number in buses}, stop, announce) as listening:
        if wired:
            listening.be_quiet(_words_to_play(frames, plan, wired, ids), named=ids is not None, progress=progress)
        player = Player(buses, rate, stop, listening.may)
        _loops(player, source, loops, first_ns, span_ns, progress)
        settle(buses.values())
        return player.report()


def _loops(
    player: Player,
    source: Callable[[], Iterator[TimedFrame]],
    loops: int,
    first_ns: int,
    span_ns: int,
    progress: Progress | None,
) -> None:
    loop = 0
    while not player.stop.is_set() and (loops == 0 or loop < loops):

        def report(time_ns: int, loop: int = loop) -> None:
            if progress is not None:
                done = (time_ns - first_ns) / span_ns
                share = (loop + done) / loops if loops else done
                progress(share, f"{player.sent:,} frames, {(time_ns - first_ns) / 1e9:.0f} s")

        player.play(source(), first_ns, report)
        loop += 1


def _permitted(
    frames: Capture,
    plan: Plan | None,
    wired: Collection[int],
    ids: Sequence[int] | None,
    maps: Mapping[int, SignalMap],
    rate: float,
    announce: Announce,
) -> Capture:
    """Frames that may be played onto buses with wires; a plan's are judged by its proof, before."""
    if plan is not None:
        if rate > 1:
            raise RefusedError(
                f"--rate {rate:g} would send the plan's messages faster than planned, which no module accepts from "
                "its engine: leave --rate out, or play onto a virtual bus"
            )
        return frames
    words = frames.words
    present = {bus: np.unique(words[frames.bus == bus]).tolist() for bus in sorted(wired)}
    names = {bus: frames.bus_names[bus] for bus in present}
    chosen = playable_words(present, names, ids, maps)
    for sentence in chosen.left_out:
        announce(sentence)
    kept = ~np.isin(frames.bus, np.array(sorted(wired), dtype=np.uint8))
    for bus, allowed in chosen.words.items():
        kept |= (frames.bus == bus) & np.isin(words, np.array(sorted(allowed), dtype=np.uint32))
    return frames.select(kept)


def _words_to_play(
    frames: Capture, plan: Plan | None, wired: Collection[int], ids: Sequence[int] | None
) -> dict[int, frozenset[int]]:
    if plan is None:
        words = frames.words
        return {bus: frozenset(np.unique(words[frames.bus == bus]).tolist()) for bus in wired}
    wanted = None if ids is None else set(ids)
    sends = [(send.bus, send.word) for send in plan.sends if wanted is None or send.word in wanted]
    return {bus: frozenset(word for number, word in sends if number == bus) for bus in wired}


class _Listening:
    """Listens to wired buses, a thread each, and says which frames may still be played."""

    def __init__(self, buses: Mapping[int, can.BusABC], stop: threading.Event, announce: Announce) -> None:
        self._ear, self._buses, self._stop, self._announce = Ear(), buses, stop, announce
        self._over = threading.Event()
        self._lock = threading.Lock()
        self._threads = [
            threading.Thread(target=self._listen, args=(number, bus), name="replay listens", daemon=True)
            for number, bus in buses.items()
        ]

    def __enter__(self) -> _Listening:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(timeout=2.0)

    def be_quiet(self, words: Mapping[int, frozenset[int]], *, named: bool, progress: Progress | None) -> None:
        """Listen before anything is played.

        Raises
        ------
        RefusedError
            An identifier that was named, or every one, is being sent by another node.
        """
        total_s = QUIET_US / 1e6
        end = time.monotonic() + total_s
        while (left := end - time.monotonic()) > 0 and not self._stop.wait(min(left, 0.1)):
            if progress is not None:
                progress(0.0, f"listening first, {left:.0f} s: what other nodes send is not played")
        with self._lock:
            taken = self._ear.taken(words, _now_us())
        if taken and (named or len(taken) == sum(map(len, words.values()))):
            names = ", ".join(format_identifier(*split_word(word)) for _, word in taken[:8])
            raise RefusedError(
                f"another node is sending {names} on that bus: two senders of one identifier break each other's "
                "frames. Unplug the module that sends it, or leave the identifier out"
            )

    def may(self, frame: TimedFrame) -> bool:
        """Whether this frame may be played now."""
        if frame.bus not in self._buses:
            return True
        word = word_of(frame.message)
        with self._lock:
            if self._ear.may(frame.bus, word, bytes(frame.message.data), _now_us()):
                return True
            news = self._ear.news(frame.bus, word)
        if news:
            self._announce(news)
        return False

    def _listen(self, number: int, bus: can.BusABC) -> None:
        while not self._over.is_set():
            try:
                message = bus.recv(0.05)
            except (can.CanError, OSError):
                return  # the sender says what is wrong with the bus
            except MALFORMED:
                continue
            if message is None or message.is_error_frame or not message.is_rx:
                continue
            with self._lock:
                self._ear.heard(number, word_of(message), bytes(message.data), _now_us())


def _now_us() -> int:
    return monotonic_ns() // 1000


class Player:
    """Sends frames when they are due.

    Parameters
    ----------
    buses : mapping
        Bus number to open bus.
    rate : float
    stop : threading.Event
    may : callable or None
        Asked about each frame just before it is sent.
    """

    def __init__(
        self,
        buses: Mapping[int, can.BusABC],
        rate: float,
        stop: threading.Event,
        may: Callable[[TimedFrame], bool] | None = None,
    ) -> None:
        self.stop, self._may = stop, may
        self.sent = self.failed = 0
        self._buses, self._rate = buses, rate
        self._late: array[int] = array("q")
        self._began = time.perf_counter_ns()

    def play(self, frames: Iterator[TimedFrame], first_ns: int, report: Callable[[int], None] | None = None) -> None:
        """Play frames whose clock shows `first_ns` now."""
        begin, next_report = time.perf_counter_ns(), 0
        for frame in frames:
            due = begin + round((frame.time_ns - first_ns) / self._rate)
            if not self._wait(due):
                return
            late = time.perf_counter_ns() - due
            if self._may is not None and not self._may(frame):
                continue
            if self._send(self._buses[frame.bus], frame.message):
                self.sent += 1
                self._late.append(late)
            if report is not None and due > next_report:
                next_report = due + 2 * LOOK_UP_NS
                report(frame.time_ns)

    def report(self) -> ReplayReport:
        """How it went."""
        late = np.frombuffer(self._late, dtype=np.int64) if len(self._late) else np.zeros(1, dtype=np.int64)
        median, p99 = (float(value) / 1e6 for value in np.percentile(late, [50, 99]))
        seconds = (time.perf_counter_ns() - self._began) / 1e9
        refused = sum(not_taken(bus) for bus in self._buses.values())
        return ReplayReport(self.sent - refused, self.failed + refused, seconds, (median, p99, float(late.max()) / 1e6))

    def _wait(self, due_ns: int) -> bool:
        while True:
            left = due_ns - time.perf_counter_ns()
            if left <= 0:
                return not self.stop.is_set()
            if left > LOOK_UP_NS:
                if self.stop.wait(LOOK_UP_NS / 1e9):
                    return False
            elif left > 2 * SPIN_NS:
                time.sleep((left - SPIN_NS) / 1e9)

    def _send(self, bus: can.BusABC, message: can.Message) -> bool:
        for _ in range(SEND_TRIES):
            try:
                bus.send(message)
            except can.CanOperationError as error:
                if self.stop.wait(SEND_WAIT_S):
                    break
                problem: Exception = error
            except (can.CanError, OSError, ValueError) as error:
                raise BusError(
                    f"the bus accepts no frames ({error}): check that it is up and that another node is connected"
                ) from None
            else:
                return True
        self.failed += 1
        if self.stop.is_set():
            return False
        raise BusError(
            f"the bus took no frame for {SEND_TRIES * SEND_WAIT_S:.1f} s ({problem}): check that it is up, that its "
            "bit rate is right and that another node acknowledges"
        )


def translate(
    plan: Plan, translator: TranslatorLike, capture: Capture, from_bus: str | None = None
) -> Iterator[TimedFrame]:
    """What a translator sends when a capture comes in, in simulated time: no clock is read.

    Parameters
    ----------
    capture : Capture
        Frames in the order of time (`playable`).

    Yields
    ------
    TimedFrame
        With times on the capture's clock.
    """
    where = plan_bus_of(plan, capture, from_bus)
    forms = FrameForms(plan)
    words = capture.words
    first = int(capture.time_ns[0]) // 1000 if len(capture) else 0
    at = first
    for start in range(0, len(capture), 4096):
        part = capture.select(slice(start, start + 4096))
        rows = zip(
            (part.time_ns // 1000).tolist(),
            part.bus.tolist(),
            words[start : start + 4096].tolist(),
            part.length.tolist(),
            part.is_data.tolist(),
            part.payload,
            strict=True,
        )
        for time_us, bus, word, length, is_data, payload in rows:
            yield from _until(forms, translator, at - first, time_us - first, first)
            at = time_us
            if is_data and bus in where:
                translator.on_frame(where[bus], word, payload[:length].tobytes(), (at - first) & _MASK)
            yield from _now(forms, translator, at - first, first)


def _until(forms: FrameForms, translator: TranslatorLike, at: int, end: int, first: int) -> Iterator[TimedFrame]:
    """Frames that fall due after `at` and before `end` (microseconds that do not wrap)."""
    while True:
        ahead = (translator.next_poll(at & _MASK) - at) & _MASK
        at += max(1, ahead if ahead < 1 << 31 else 0)
        if at >= end:
            return
        yield from _now(forms, translator, at, first)


def _now(forms: FrameForms, translator: TranslatorLike, at: int, first: int) -> Iterator[TimedFrame]:
    for _ in range(_MOST_POLLS):
        sent = translator.poll(at & _MASK)
        if sent is not None:
            yield TimedFrame((at + first) * 1000, sent.bus, forms.message(sent.bus, sent.word, sent.data))
        elif translator.next_poll(at & _MASK) != at & _MASK:
            return
