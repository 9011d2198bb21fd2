"""Prove room: frames from a virtual bus in real time: defects fail, a busy computer only warns."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable
from functools import partial
from importlib import import_module

import can
import pytest

from swapbridge.bus.adapters.opening import open_bus
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.bus.rehearsal.virtual_check import virtual_check
from swapbridge.compiler.compile import compile_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import SentFrame, Translator
from swapbridge.proving.bench.bench import set_up, simulate
from swapbridge.proving.judges.runs.real_time import judge_real_time, lively_part
from tests.proving import mutations, small_swap

Frames = list[tuple[int, float, int, bytes]]


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_bridge(small_swap.bridge(), small_swap.maps()).plan


@pytest.fixture(scope="module")
def sent(plan: Plan) -> Frames:
    run = simulate(set_up(plan, small_swap.captures(4.0)), partial(Translator, plan))
    return [(s.bus, s.received_ns / 1e9, s.word, s.data) for s in run.device.sent]


def _states(plan: Plan, frames: Frames) -> set[str]:
    return {c.status for c in judge_real_time(plan, frames, 4.0)}


def test_sound_frames_pass(plan: Plan, sent: Frames) -> None:
    assert _states(plan, sent) == {"pass"}


@pytest.mark.parametrize(
    ("change", "status"),
    [
        (lambda f: [*f[:300], *f[301:]], "warn"),
        (lambda f: f[::2], "fail"),
        (lambda f: [(b, t, w, d[:-1] + bytes([d[-1] ^ 1])) if w == 0xC8 else (b, t, w, d) for b, t, w, d in f], "fail"),
        (lambda f: [(b, t * 2, w, d) for b, t, w, d in f], "warn"),
        (lambda f: [], "warn"),
    ],
)
def test_what_is_wrong(plan: Plan, sent: Frames, change: Callable[[Frames], Frames], status: str) -> None:
    states = _states(plan, change(sent))
    assert status in states
    assert ("fail" in states) == (status == "fail")


def test_the_middle_of_the_recordings_on_a_virtual_bus(plan: Plan) -> None:
    """Both recordings begin where everybody speaks, on one clock, and the live translator answers them."""
    captures = small_swap.captures(6.0)
    part = lively_part(plan, captures, 1.0)
    assert part.bus_names == ("donor", "host")
    assert 0.9 < part.duration_s <= 1.0
    assert (part.time_ns[1:] >= part.time_ns[:-1]).all()
    done = virtual_check(plan, part, 1.0)
    assert {(bus, word) for bus, _, word, _ in done.frames} >= {(1, 0x0C8), (1, 0x280), (0, 0x0F1)}
    assert all(c.status != "fail" for c in judge_real_time(plan, done.frames, 1.0, done.lost))


def _stalling(plan: Plan) -> Translator:
    """A translator on a computer that does something else for 60 to 150 ms every now and then."""
    translator = Translator(plan)
    poll = translator.poll

    def late(now: int) -> SentFrame | None:
        if _RANDOM.random() < 0.05:
            time.sleep(_RANDOM.uniform(0.06, 0.15))
        return poll(now)

    translator.poll = late
    return translator


_RANDOM = random.Random(4)


def _slow_bus(spec: BusSpec, **options: bool) -> can.BusABC:
    """A virtual bus whose sender is held up now and then for longer than a frame may wait."""
    bus = open_bus(spec, **options)
    send = bus.send

    def held_up(msg: can.Message, timeout: float | None = None) -> None:
        if threading.current_thread().name.endswith(" send") and _RANDOM.random() < 0.1:
            time.sleep(0.12)
        send(msg, timeout)

    bus.send = held_up  # type: ignore[method-assign]
    return bus


def test_a_stalling_loop_does_not_fail_a_sound_plan_and_does_not_hide_a_defect(plan: Plan) -> None:
    part = lively_part(plan, small_swap.captures(6.0), 1.0)
    done = virtual_check(plan, part, 1.0, translator=_stalling(plan))
    assert [c for c in judge_real_time(plan, done.frames, 1.0, done.lost) if c.status == "fail"] == []
    wrong = mutations.send_changed(plan, "host.ENGINE_DATA", lambda s: mutations.with_counter(s, step=2))
    done = virtual_check(wrong, part, 1.0, translator=_stalling(wrong))
    failed = [c for c in judge_real_time(plan, done.frames, 1.0, done.lost) if c.status == "fail"]
    assert [c.subject for c in failed] == ["host.ENGINE_DATA"]


def test_frames_lost_by_held_up_senders_only_warn(plan: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many: each wrong step of a counter is accounted for by frames that are known to be lost."""
    monkeypatch.setattr(import_module("swapbridge.bus.rehearsal.virtual_check"), "open_bus", _slow_bus)
    done = virtual_check(plan, lively_part(plan, small_swap.captures(6.0), 1.5), 1.5)
    assert done.lost[1, 0x0C8] > 0
    assert {c.status for c in judge_real_time(plan, done.frames, 1.5, done.lost)} == {"pass", "warn"}


def test_known_losses_excuse_so_many_steps_and_no_more(plan: Plan, sent: Frames) -> None:
    rows = [f for f in sent if f[2] == 0x0C8]
    fewer = [f for n, f in enumerate(rows) if n % 3]
    lost = len(rows) - len(fewer)
    assert {c.status for c in judge_real_time(plan, fewer, 4.0, {(1, 0x0C8): lost})} == {"pass", "warn"}
    assert "fail" in {c.status for c in judge_real_time(plan, fewer, 4.0, {(1, 0x0C8): lost // 2})}
