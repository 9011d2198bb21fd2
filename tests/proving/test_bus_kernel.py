"""Prove room: the simulated bus in C gives what the one in Python gives, and leaves to that what it does not know."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench import simulated_bus
from swapbridge.proving.bench.bench import set_up
from swapbridge.proving.bench.bus_kernel import bus_kernel
from swapbridge.proving.bench.nodes import MS, Controller, NodeUnderTest, Sent
from swapbridge.proving.bench.simulated_bus import SimulatedBus, Simulation
from swapbridge.proving.bench.traffic import Rates, Traffic, traffic_from
from swapbridge.proving.faults.campaign import CampaignInputs, FaultTask, run_fault
from tests.proving import small_swap
from tests.proving.conftest import SentFrameStub

RATES = Rates(500_000)
Row = tuple[int, int, bytes]


@dataclass
class Talker:
    """Sends frames on two buses at fixed times, and again whenever it hears a certain word."""

    times: list[tuple[int, int, int, bytes]]
    owed: list[SentFrameStub] = field(default_factory=list)

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        if word % 3 == 0:
            self.owed.append(SentFrameStub(1 - bus, 0x123, data))

    def poll(self, now: int) -> SentFrameStub | None:
        if self.owed:
            return self.owed.pop(0)
        if self.times and self.times[0][0] <= now:
            _, bus, word, data = self.times.pop(0)
            return SentFrameStub(bus, word, data)
        return None

    def next_poll(self, now: int) -> int:
        if self.owed:
            return now
        return max(self.times[0][0], now) if self.times else now + 1_000_000


def _words() -> st.SearchStrategy[int]:
    return st.one_of(st.integers(0, 0x7FF), st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED_BIT))


@st.composite
def _rows(draw: st.DrawFn) -> list[Row]:
    t, rows = 0, []
    for _ in range(draw(st.integers(0, 25))):
        t += draw(st.integers(0, 600_000))
        rows.append((t, draw(_words()), draw(st.binary(max_size=8))))
    return rows


def _simulated(traffic: list[Traffic], node: NodeUnderTest, cut: tuple[int, int] | None) -> list[Any]:
    """All that anybody can see of a run."""
    buses = [SimulatedBus(str(n), t) for n, t in enumerate(traffic)]
    simulation = Simulation(buses, [node])
    if cut is not None:
        simulation.at(cut[0], node.power_off)
        simulation.at(cut[0] + cut[1], lambda t: node.power_on(t, Talker([(0, 0, 0x7, b"back")])))
    simulation.run(9 * MS)
    simulation.run(60 * MS)
    seen = [(bus.disturbed, bus.added_busy_ns) for bus in buses]
    replaced = [c.replaced for c in node.controllers if c is not None]
    return [node.trace, node.sent, node.sent_count, node.polls, node.due_ns, seen, replaced]


@settings(max_examples=200)
@given(
    st.tuples(_rows(), _rows()),
    st.lists(st.tuples(st.integers(0, 15_000), st.integers(0, 1), _words(), st.binary(max_size=8)), max_size=15),
    st.sampled_from([1_000, 100_000, 3_000_000]),
    st.one_of(st.none(), st.tuples(st.integers(0, 15_000_000), st.integers(1, 5_000_000))),
    st.booleans(),
)
def test_buses_in_c_do_what_buses_in_python_do(
    capture_of: Callable[..., Any],
    rows: tuple[list[Row], list[Row]],
    asks: list[tuple[int, int, int, bytes]],
    latency_ns: int,
    cut: tuple[int, int] | None,
    idle: bool,
) -> None:
    """Whatever was recorded and whatever the node says, with a power cut too: events, frames, figures are the same."""
    traffic = [traffic_from(capture_of(r), RATES, begin_ns=-1_000_000) for r in rows]
    found = []
    for kernel in (bus_kernel, lambda: None):
        node = NodeUnderTest(
            "node", Talker(sorted(asks)), [None, None], [Controller(replace=True) for _ in range(2)],
            latency_ns=latency_ns, record=True,
        )  # fmt: skip
        if idle:
            node.idle_words, node.idle_after_ns = [lambda word: word % 3 != 0] * 2, 2 * MS
        with patch.object(simulated_bus, "bus_kernel", kernel):
            found.append(_simulated(traffic, node, cut))
    assert found[0] == found[1]


@pytest.mark.parametrize("name", ["buses asleep and awake", "babbling node", "clock steps forward", "clock wraps"])
def test_a_run_with_faults_ends_alike(name: str) -> None:
    bridge, maps = small_swap.bridge(), small_swap.maps()
    plan = compile_bridge(bridge, maps).plan
    inputs = CampaignInputs(set_up(plan, small_swap.captures()), bridge, maps, partial(Translator, plan))
    in_c = run_fault(inputs, FaultTask((name,), 8, 5))
    with patch.object(simulated_bus, "bus_kernel", lambda: None):
        assert run_fault(inputs, FaultTask((name,), 8, 5)) == in_c


def _node(**options: Any) -> NodeUnderTest:
    return NodeUnderTest("node", Talker([(500, 0, 0x100, b"")]), [None], [Controller(**options)], latency_ns=1000)


@pytest.mark.parametrize("left", ["errors", "a queue", "a planned error", "two nodes"])
def test_what_the_kernel_does_not_know_is_left_to_python(capture_of: Callable[..., Any], left: str) -> None:
    traffic = traffic_from(capture_of([]), RATES)
    node = _node(replace=left != "a queue")
    assert node.controllers[0] is not None
    if left == "a planned error":
        node.controllers[0].fails = lambda t: False
    nodes = [node, _node(replace=True)] if left == "two nodes" else [node]
    simulation = Simulation([SimulatedBus("b", traffic, error_rate=1e-9 if left == "errors" else 0.0)], nodes)
    with patch.object(simulated_bus, "KernelBuses", side_effect=AssertionError("the kernel was asked")):
        simulation.run(5 * MS)
    assert [type(one) for one in node.sent] == [Sent]


def test_the_usual_simulation_is_in_c(capture_of: Callable[..., Any]) -> None:
    assert bus_kernel() is not None
    with patch.object(simulated_bus, "KernelBuses", side_effect=AssertionError("the kernel was asked")):
        simulation = Simulation([SimulatedBus("b", traffic_from(capture_of([]), RATES))], [_node(replace=True)])
        with pytest.raises(AssertionError, match="asked"):
            simulation.run(5 * MS)


def test_a_program_that_never_rests_is_an_error_in_c_too(capture_of: Callable[..., Any]) -> None:
    node = _node(replace=True)
    node.program.next_poll = lambda now: now  # type: ignore[method-assign]
    with pytest.raises(RuntimeError, match="without end"):
        Simulation([SimulatedBus("b", traffic_from(capture_of([]), RATES))], [node]).run(5 * MS)
