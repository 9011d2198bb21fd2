"""Replay: order, timing, loops, filters, translation; and what a bus that takes nothing leads to."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest
from can.interfaces.virtual import channels as virtual_channels
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.bus.adapters.can_messages import (
    bus_numbers,
    frames_in,
    message_of,
    plan_bus_of,
    playable,
    without_planned,
)
from swapbridge.bus.running.replay import Player, replay, translate
from swapbridge.capture.capture import ERROR, EXTENDED, FD, REMOTE, Capture
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from swapbridge.core.errors import BusError, InputError
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator

MS = 1_000_000


def capture_of(
    times_ms: list[float],
    words: list[int] | None = None,
    names: tuple[str, ...] = ("0",),
    buses: list[int] | None = None,
) -> Capture:
    n = len(times_ms)
    payload = np.arange(n, dtype=">u8").view(np.uint8).reshape(n, 8)
    identifiers = words or [0x100] * n
    return Capture(
        (np.array(times_ms) * MS).round().astype(np.int64) + 10**15,
        np.array([word & 0x1FFF_FFFF for word in identifiers], dtype=np.uint32),
        np.array([EXTENDED * (word >> 31) for word in identifiers], dtype=np.uint8),
        np.array(buses or [0] * n, dtype=np.uint8),
        np.full(n, 8, dtype=np.uint8),
        payload.copy(),
        names,
        "test",
    )


@pytest.fixture
def ends(channel: str) -> Any:
    """The sending and the receiving end of a virtual bus."""
    with (
        can.Bus(interface="virtual", channel=channel, ignore_config=True) as mouth,
        can.Bus(interface="virtual", channel=channel, ignore_config=True) as ear,
    ):
        yield mouth, ear


def heard(ear: can.BusABC) -> list[can.Message]:
    out = []
    while (message := ear.recv(0.0)) is not None:
        out.append(message)
    return out


def test_frames_come_in_the_order_of_time(ends: Any) -> None:
    mouth, ear = ends
    report = replay(capture_of([20, 0, 10]), {0: mouth})
    assert report.sent == 3
    assert [message.data[7] for message in heard(ear)] == [1, 2, 0]
    assert 0.02 <= report.seconds < 60


def test_never_early_and_in_step_with_the_capture(ends: Any) -> None:
    """No frame before its time; how late, only a benchmark on an idle machine can say."""
    mouth, ear = ends
    begin = time.time()
    report = replay(capture_of([0, 30, 60, 90]), {0: mouth}, rate=2.0)
    times = [message.timestamp - begin for message in heard(ear)]
    assert all(late >= due - 0.001 for late, due in zip(times, (0, 0.015, 0.030, 0.045), strict=True))
    assert report.seconds >= 0.045
    assert report.late_ms[0] >= 0


def test_faster_loops_and_filters(ends: Any) -> None:
    mouth, ear = ends
    capture = capture_of([0, 1000, 2000, 3000], [0x100, 0x200, 0x8000_0100, 0x100])
    assert replay(capture, {0: mouth}, rate=1000, loops=3, ids=[0x100]).sent == 6
    assert {(m.arbitration_id, m.is_extended_id) for m in heard(ear)} == {(0x100, False)}
    assert replay(capture, {0: mouth}, rate=1000, ids=[0x8000_0100]).sent == 1


def test_until_stopped(ends: Any) -> None:
    mouth, _ = ends
    stop = threading.Event()
    threading.Timer(0.2, stop.set).start()
    report = replay(capture_of([0, 10]), {0: mouth}, loops=0, stop=stop)
    assert report.sent > 4
    stop.clear()
    threading.Timer(0.1, stop.set).start()
    began = time.monotonic()
    replay(capture_of([0, 60_000]), {0: mouth}, stop=stop)
    assert time.monotonic() - began < 30


def test_progress_rises_to_the_end(ends: Any) -> None:
    mouth, _ = ends
    shares: list[float] = []
    replay(capture_of([k * 10 for k in range(40)]), {0: mouth}, progress=lambda share, words: shares.append(share))
    assert shares == sorted(shares)
    assert 0 <= shares[0] <= shares[-1] <= 1


@pytest.mark.parametrize(("rate", "loops"), [(0.0, 1), (-1.0, 1), (float("nan"), 1), (1.0, -1)])
def test_odd_rates_and_loops_are_refused(rate: float, loops: int) -> None:
    with pytest.raises(InputError):
        replay(capture_of([0]), {}, rate=rate, loops=loops)


def test_nothing_to_play_is_said(ends: Any) -> None:
    with pytest.raises(InputError, match="no frame to play"):
        replay(capture_of([0]), {0: ends[0]}, ids=[0x7FF])
    with pytest.raises(InputError, match="no frame to play"):
        replay(capture_of([0]), {1: ends[0]})


def test_a_bus_that_takes_nothing(breakable: Callable[[], Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules["swapbridge.bus.running.replay"], "SEND_WAIT_S", 0.0)
    bus = breakable()
    bus.refuse = can.CanOperationError("Transmit buffer full")
    with pytest.raises(BusError, match="took no frame"):
        replay(capture_of([0, 1]), {0: bus})
    bus.refuse = OSError("gone")
    with pytest.raises(BusError, match="accepts no frames"):
        replay(capture_of([0, 1]), {0: bus})


def test_a_frame_that_is_waiting_when_the_replay_is_stopped_is_not_counted_as_sent(
    breakable: Callable[[], Any],
) -> None:
    bus, stop = breakable(), threading.Event()

    class Stopping(type(bus)):  # type: ignore[misc]
        def send(self, msg: can.Message, timeout: float | None = None) -> None:
            stop.set()
            raise can.CanOperationError("Transmit buffer full")

    report = replay(capture_of([0, 1]), {0: Stopping()}, stop=stop)
    assert (report.sent, report.failed) == (0, 1)


def test_a_full_buffer_for_a_moment_is_borne(breakable: Callable[[], Any]) -> None:
    bus = breakable()
    refusals = iter([can.CanOperationError("Transmit buffer full")] * 3)

    class Slow(type(bus)):  # type: ignore[misc]
        def send(self, msg: can.Message, timeout: float | None = None) -> None:
            error = next(refusals, None)
            if error is not None:
                raise error
            self.taken.append(msg)

    slow = Slow()
    assert replay(capture_of([0, 1]), {0: slow}).sent == 2
    assert len(slow.taken) == 2


def test_error_frames_are_not_played_and_others_keep_their_kind() -> None:
    capture = capture_of([0, 1, 2, 3])
    flags = np.array([ERROR, REMOTE, FD, 0], dtype=np.uint8)
    capture = Capture(
        capture.time_ns, capture.identifier, flags, capture.bus, capture.length, capture.payload, source="x"
    )
    remote, fd, plain = (frame.message for frame in frames_in(playable(capture)))
    assert remote.is_remote_frame
    assert remote.dlc == 8
    assert fd.is_fd
    assert not plain.is_fd
    assert not plain.is_extended_id


@settings(max_examples=30)
@given(st.lists(st.integers(0, 0x7FF) | st.integers(0x8000_0000, 0x9FFF_FFFF), min_size=1, max_size=20))
def test_words_survive(words: list[int]) -> None:
    capture = capture_of(list(range(len(words))), words)
    assert capture.words.tolist() == words
    sent = [frame.message for frame in frames_in(capture)]
    again = [message_of(word, bytes(m.data)) for word, m in zip(words, sent, strict=True)]
    assert all(a.equals(b, timestamp_delta=None, check_direction=False) for a, b in zip(sent, again, strict=True))


def slow_translation(plan: Plan, capture: Capture) -> list[tuple[int, int, int, bytes]]:
    """The obvious way: the translator is asked every 100 microseconds (each microsecond would take too long)."""
    translator, out = Translator(plan), []
    rows = list(zip((capture.time_ns // 1000).tolist(), capture.words.tolist(), capture.payload, strict=True))
    first, at = rows[0][0], 0
    for time_us, word, payload in rows:
        while at < time_us - first:
            while translator.next_poll(at) == at:
                sent = translator.poll(at)
                if sent is not None:
                    out.append((at, sent.bus, sent.word, sent.data))
            at += 100
        at = time_us - first
        translator.on_frame(0, word, payload.tobytes(), at)
        while translator.next_poll(at) == at:
            sent = translator.poll(at)
            if sent is not None:
                out.append((at, sent.bus, sent.word, sent.data))
    return out


def test_translation_in_simulated_time_equals_the_obvious_loop(plan: Plan) -> None:
    rng = np.random.default_rng(5)
    times = np.cumsum(rng.choice([1.0, 7.0, 10.0, 10.1, 250.0], size=200))
    capture = capture_of(times.tolist(), names=("donor",))
    first = int(capture.time_ns[0]) // 1000
    fast = [
        (f.time_ns // 1000 - first, f.bus, f.message.arbitration_id, bytes(f.message.data))
        for f in translate(plan, Translator(plan), capture)
    ]
    assert fast == slow_translation(plan, capture)
    assert {word for _, _, word, _ in fast} == {0x200, 0x210}


def test_translated_frames_are_played(plan: Plan, ends: Any) -> None:
    mouth, ear = ends
    capture = capture_of([k * 10 for k in range(20)], names=("donor",))
    report = replay(capture, {1: mouth}, rate=10, plan=plan, translator=lambda: Translator(plan))
    frames = heard(ear)
    assert report.sent == len(frames) > 20
    assert {message.arbitration_id for message in frames} == {0x200, 0x210}
    only = replay(capture, {1: mouth}, rate=10, plan=plan, translator=lambda: Translator(plan), ids=[0x210])
    assert only.sent == 20
    with pytest.raises(InputError, match="without a translator"):
        replay(capture, {1: mouth}, plan=plan)


def test_which_bus_a_capture_is(plan: Plan) -> None:
    one = capture_of([0, 1])
    assert plan_bus_of(plan, one) == {0: 0}
    assert plan_bus_of(plan, one, "host") == {0: 1}
    two = capture_of([0, 1, 2], names=("x", "host", "donor"), buses=[1, 2, 1])
    assert plan_bus_of(plan, two) == {1: 1, 2: 0}
    assert plan_bus_of(plan, two, "host") == {1: 1}, "of several buses the one that is named, and no other beside it"
    with pytest.raises(InputError, match="no bus 'body'"):
        plan_bus_of(plan, one, "body")
    with pytest.raises(InputError, match="holds the buses"):
        plan_bus_of(plan, capture_of([0, 1], names=("x", "y"), buses=[0, 1]))
    assert bus_numbers(["anything"], ["0"]) == {"anything": 0}
    assert bus_numbers(["b"], ["a", "b"]) == {"b": 1}
    with pytest.raises(InputError, match="no bus 'c'"):
        bus_numbers(["c"], ["a", "b"])


def test_frames_of_absent_modules_are_left_out(plan: Plan) -> None:
    capture = capture_of([0, 1, 2, 3], [0x100, 0x200, 0x210, 0x300], names=("a", "b"), buses=[0, 1, 0, 1])
    assert without_planned(plan, capture, {0: 0, 1: 1}).words.tolist() == [0x100, 0x210, 0x300]
    assert without_planned(plan, capture, {1: 1}).words.tolist() == [0x300]


def test_the_player_reports_without_frames() -> None:
    assert Player({}, 1.0, threading.Event()).report().sent == 0


def invoke(*arguments: str) -> Any:
    return CliRunner().invoke(cli, ["replay", *arguments])


def test_the_command(tmp_path: Path, channel: str, plan: Plan) -> None:
    log, plan_file = tmp_path / "a.log", tmp_path / "plan.json"
    write_capture(capture_of([k * 10 for k in range(50)], names=("donor",)), log)
    plan_file.write_text(plan.to_json())
    ear = can.Bus(interface="virtual", channel=channel, ignore_config=True)
    bus = f"bench=virtual:{channel}"
    result = invoke(str(log), "--bus", bus, "--rate", "20")
    assert result.exit_code == 0, result.output
    assert "50 frames in" in result.output
    assert len(heard(ear)) == 50
    result = invoke(
        str(log), "--bus", f"host=virtual:{channel}", "--rate", "20", "--plan", str(plan_file), "--id", "210"
    )
    assert result.exit_code == 0, result.output
    assert {message.arbitration_id for message in heard(ear)} == {0x210}
    host = ("--bus", f"host=virtual:{channel}", "--rate", "20", "--plan", str(plan_file))
    played = []
    for engine in ("python", "c"):
        result = invoke(str(log), *host, "--engine", engine)
        assert result.exit_code == 0, result.output
        played.append([(message.arbitration_id, bytes(message.data)) for message in heard(ear)])
    assert played[0] == played[1] != []
    ear.shutdown()
    assert channel not in virtual_channels


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["none.log", "--bus", "a=virtual:1"], "none.log"),
        (["a.log"], "no bus is given"),
        (["a.log", "--bus", "a=virtual:1", "--bus", "b=virtual:2"], "no bus 'a'"),
        (["a.log", "--bus", "a=virtual:1", "--rate", "0"], "rate"),
        (["a.log", "--bus", "a=virtual:1", "--plan", "none.json"], "none.json"),
        (["a.log", "--bus", "a=virtual:1", "--plan", "a.log"], "plan"),
        (["a.log", "--bus", "a=slcan:/dev/null"], "--cautions-read"),
        (["a.log", "--bus", "a=virtual:1", "--id", "zz"], "zz"),
    ],
)
def test_bad_calls_say_one_thing(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write_capture(capture_of([0, 1]), Path("a.log"))
    result = invoke(*arguments)
    assert result.exit_code == 2, result.output
    assert says in result.output
    assert "Traceback" not in result.output
