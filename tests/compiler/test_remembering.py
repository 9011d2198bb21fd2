"""Functions that remember: each against its definition written with fractions, one step at a time."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction as F
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.compiler.exact import away

STEP = F(1, 100)
RPM = F(1, 4)
"""The source's step; the target's is 1/8 rpm, so the default resolution is 1/8192 rpm."""

DONOR = SignalMap(
    (
        MapMessage(
            "M", 0x100, False, 4,
            (
                MapSignal("X", Layout(0, 16), RPM, unit="rpm", not_available=(65535,)),
                MapSignal("C", Layout(16, 1)),
                MapSignal("Flow", Layout(20, 12), F("0.05"), unit="L/h"),
            ),
            period_ms=F(10),
        ),
    )
)  # fmt: skip
HOST = SignalMap(
    (
        MapMessage(
            "Out", 0x200, False, 8,
            (
                MapSignal("Y", Layout(0, 32, signed=True), F("0.125"), unit="rpm", role="value"),
                MapSignal("B", Layout(32, 1)),
                MapSignal("Fuel", Layout(40, 16), F("0.001"), unit="L", role="fuel_used"),
            ),
        ),
    )
)  # fmt: skip


def run(expression: str, target: str, samples: list[tuple[int, int, int]]) -> list[int]:
    """Raw value of the target just after each step, for (X, C, Flow) raw values that arrive before it."""
    bridge = parse_bridge(
        '[buses.d]\nplacement = "added-node"\n[buses.h]\nplacement = "added-node"\n'
        '[sources."d.M"]\nmax_age_ms = 40\n'
        '[[messages]]\nsend = "h.Out"\nperiod_ms = 10\nrest = "zero"\ndelay_ms = 5\n[messages.signals]\n'
        f'{target} = {{ value = "{expression}", fallback = 0 }}\n'.replace("fallback = 0 }", fallback(target))
    )
    translator = Translator(compile_bridge(bridge, {"d": DONOR, "h": HOST}).plan)
    layout = next(s.layout for s in HOST.messages[0].signals if s.name == target)
    out, now = [], 4_294_000_000
    translator.poll(now)  # the first step, before anything is heard
    now += 9_000
    for x, c, flow in samples:
        data = (x | c << 16 | flow << 20).to_bytes(4, "little")
        translator.on_frame(0, 0x100, data, now % 2**32)
        raw = None
        for later in range(1000, 10_001, 500):
            sent = translator.poll((now + later) % 2**32)
            raw = raw if sent is None else layout.unpack(sent.data)
        out.append(raw)
        now += 10_000
    # the state machine runs run's sends from the first step on, so the first value may be missing
    return [r if r is not None else -1 for r in out]


def fallback(target: str) -> str:
    return {"Y": 'fallback = "-1 rpm" }', "B": "fallback = false }", "Fuel": 'fallback = "0 L" }'}[target]


Samples = list[tuple[int, int, int]]
values = st.one_of(st.integers(0, 65535), st.sampled_from([0, 65535, 65535, 100, 20000]))
some = st.lists(st.tuples(values, st.integers(0, 1), st.integers(0, 4095)), min_size=4, max_size=40)


def follow(samples: Samples, move: Callable[[F, F], F], grid: F) -> list[int]:
    """Raw outputs of a function that follows X: starts at it, `move(y, x)` a step, held while X is invalid."""
    y: F | None = None
    held, out = F(0), []
    for raw, _, _ in samples:
        if raw == 65535:
            y = None
            out.append(-8)  # the fallback, -1 rpm
            continue
        x = away(raw * RPM / grid) * grid
        y = x if y is None else move(y, x)
        held = y
        out.append(away(held / F("0.125")))
    return out


@settings(max_examples=25, deadline=None)
@given(some, st.sampled_from(["0.05", "0.3", "2"]))
def test_lowpass(samples: Samples, tau: str) -> None:
    share = STEP / (F(tau) + STEP)
    extra = 1
    while extra * share < 1:
        extra *= 2  # bits below the resolution, so that the filter reaches its input
    grid = F(1, 8) / 1024 / extra

    def move(y: F, x: F) -> F:
        return y + away((x - y) / grid * share) * grid

    assert run(f"lowpass(d.M.X, {tau} s)", "Y", samples)[1:] == follow(samples, move, grid)[1:]


def test_lowpass_reaches_a_steady_input() -> None:
    samples = [(4000, 0, 0)] * 2 + [(4001, 0, 0)] * 400
    assert run("lowpass(d.M.X, 0.3 s)", "Y", samples)[-1] == 4001 * 2


@settings(max_examples=25, deadline=None)
@given(some)
def test_rate_limit(samples: Samples) -> None:
    grid = F(1, 8192)  # 1 rpm up and 2 rpm down a step are whole steps of it

    def move(y: F, x: F) -> F:
        return y + max(min(x - y, F(100) * STEP), -F(200) * STEP)

    assert run("rate_limit(d.M.X, 100 rpm, 200 rpm)", "Y", samples)[1:] == follow(samples, move, grid)[1:]


def conditions(samples: Samples, step: Callable[[bool], bool]) -> list[int]:
    return [int(step(bool(c))) for _, c, _ in samples]


@settings(max_examples=20, deadline=None)
@given(some)
def test_debounce_hold_edges_and_toggle(samples: Samples) -> None:
    state: dict[str, Any] = {"b": False, "n": 0, "left": 0, "was": None, "t": False}

    def debounce(c: bool) -> bool:
        state["n"] = int(state["n"]) + 1 if c != state["b"] else 0
        if int(state["n"]) >= (2 if state["b"] else 3):
            state["b"], state["n"] = c, 0
        return bool(state["b"])

    def hold(c: bool) -> bool:
        state["left"] = 4 if c else max(0, int(state["left"]) - 1)
        return int(state["left"]) > 0

    def rising(c: bool) -> bool:
        was, state["was"] = state["was"], c
        return was is False and c

    def toggle(c: bool) -> bool:
        if rising(c):
            state["t"] = not state["t"]
        return bool(state["t"])

    assert run("debounce(d.M.C, 0.03 s, 0.02 s)", "B", samples)[1:] == conditions(samples, debounce)[1:]
    assert run("hold(d.M.C, 0.04 s)", "B", samples)[1:] == conditions(samples, hold)[1:]
    assert run("rising(d.M.C)", "B", samples)[1:] == conditions(samples, rising)[1:]
    state["was"] = None
    assert run("toggle(d.M.C)", "B", samples)[1:] == conditions(samples, toggle)[1:]
    state["was"] = None
    falling = [int(a[1] and not b[1]) for a, b in pairwise(samples)]
    assert run("falling(d.M.C)", "B", samples)[1:] == falling


@settings(max_examples=20, deadline=None)
@given(some)
def test_hysteresis_and_time_since(samples: Samples) -> None:
    on = False
    wanted, since, times = [], None, []
    for raw, c, _ in samples:
        if raw != 65535:
            on = True if raw * RPM >= 3000 else False if raw * RPM <= 1000 else on
        wanted.append(int(on) if raw != 65535 else 0)
        since = 0 if c else None if since is None else since + 1
        times.append(int(since is not None and since * STEP < F("0.03")))
    assert run("hysteresis(d.M.X, 3000 rpm, 1000 rpm)", "B", samples)[1:] == wanted[1:]
    assert run("time_since(d.M.C) < 0.03 s", "B", samples)[1:] == times[1:]


@settings(max_examples=20, deadline=None)
@given(some)
def test_accumulate_adds_exactly_wraps_and_shows_whole_steps(samples: Samples) -> None:
    total, wanted = F(0), []
    for _, _, flow in samples:
        total = (total + flow * F("0.05") * 1000 / 3600 * STEP) % F("0.008")
        wanted.append(int(total / F("0.001")))
    expression = "accumulate(d.M.Flow * 1000, wrap = 0.008 L)"
    assert run(expression, "Fuel", samples)[1:] == wanted[1:]


@pytest.mark.parametrize(("most", "end"), [("0.003 L", 3), ("1 L", 17)])
def test_accumulate_stops_where_told(most: str, end: int) -> None:
    samples = [(0, 0, 4000)] * 32
    assert run(f"accumulate(d.M.Flow, most = {most})", "Fuel", samples)[-1] == (end if end == 3 else 17)
