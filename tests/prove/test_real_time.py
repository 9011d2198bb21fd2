"""Prove room: frames from a virtual bus in real time: defects fail, a busy computer only warns."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from swapbridge.bridge import Plan, Translator, compile_bridge
from swapbridge.bus.virtual_check import virtual_check
from swapbridge.prove.bench import set_up, simulate
from swapbridge.prove.real_time import judge_real_time, lively_part
from tests.prove import small_swap

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
    frames = virtual_check(plan, part, 1.0)
    assert {(bus, word) for bus, _, word, _ in frames} >= {(1, 0x0C8), (1, 0x280), (0, 0x0F1)}
    assert all(c.status != "fail" for c in judge_real_time(plan, frames, 1.0))
