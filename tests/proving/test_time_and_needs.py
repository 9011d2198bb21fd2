"""Prove room: response times against the analysis, ages and loads against slow loops, and the coverage board."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.can_bits import arbitration_key, worst_case_bits
from swapbridge.core.needs import NOBODY_WAITS, Need
from swapbridge.core.response_time import Stream, response_times
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import Bench, Run, set_up, simulate
from swapbridge.proving.bench.nodes import Controller, NodeUnderTest, ReceivedFrame
from swapbridge.proving.bench.simulated_bus import SimulatedBus, Simulation
from swapbridge.proving.bench.traffic import Rates, empty_traffic
from swapbridge.proving.judges.behaviour.coverage import board
from swapbridge.proving.judges.runs.responses import judge_responses
from swapbridge.proving.judges.runs.silence import judge_silence
from swapbridge.proving.judges.runs.timing import age_limits, babble, bus_times, own_delays, signal_times
from swapbridge.proving.verdict import Check
from tests.proving import small_swap

MS = 1_000_000


@pytest.fixture(scope="module")
def bench() -> Bench:
    plan = compile_bridge(small_swap.bridge(), small_swap.maps()).plan
    return set_up(plan, small_swap.captures(5.0))


@pytest.fixture(scope="module")
def run(bench: Bench) -> Run:
    return simulate(bench, partial(Translator, bench.plan))


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(st.integers(0, 0x7FF), st.integers(2, 20), st.integers(0, 8), st.integers(0, 5_000)),
        min_size=2,
        max_size=7,
        unique_by=lambda m: m[0],
    )
)
def test_no_response_time_exceeds_the_analysis(periodic: Any, messages: list[tuple[int, int, int, int]]) -> None:
    """Priority queues without errors: what is simulated stays within Davis, Burns, Bril and Lukkien (2007)."""
    bit_ns, rest = 2000, 3 * 2000
    streams = [Stream(arbitration_key(w, False), worst_case_bits(s, False) * bit_ns, p * MS) for w, p, s, _ in messages]
    bounds = response_times(streams, bit_ns)
    nodes = []
    for word, period, size, offset in messages:
        times = [(offset + k * period * 1000, word, bytes([0x55] * size)) for k in range(200 // period)]
        nodes.append(NodeUnderTest("n", periodic(times), [frozenset()], [Controller()]))
    Simulation([SimulatedBus("b", empty_traffic(Rates()))], nodes).run(2_000 * MS)
    for node, bound in zip(nodes, bounds, strict=True):
        assert node.sent
        if bound is not None:
            assert max(s.received_ns + rest - s.asked_ns for s in node.sent) <= bound


def test_a_request_before_the_first_frame_is_no_delay() -> None:
    """After wake-up nothing is passed on until the message is due at all; afterwards every request counts."""
    heard = np.array([10, 30, 50, 70], np.int64) * MS
    asked = np.array([36, 51, 73], np.int64) * MS
    assert own_delays(heard, asked).tolist() == [MS + 100_000, 3 * MS + 100_000]


def test_a_torque_that_may_grow_old_is_told(bench: Bench) -> None:
    assert age_limits(bench.plan) == []
    slow = replace(bench.plan, feeds=tuple(replace(f, max_age_us=2_000_000) for f in bench.plan.feeds))
    told = age_limits(slow)
    assert {c.subject for c in told} >= {"host.ENGINE_DATA.Torque", "donor.TCU_REQUEST.Request"}
    assert "host.TEMPS.Coolant" not in {c.subject for c in told}
    assert {c.status for c in told} == {"warn"}
    assert told[0].measured == "donor.FAST may be 2000 ms old"


def test_ages_against_a_slow_loop(bench: Bench, run: Run) -> None:
    times, checks = signal_times(bench.plan, run, small_swap.maps())
    torque = next(t for t in times if t.subject == "host.ENGINE_DATA.Torque")
    heard = [
        e.now_us * 1000
        for e in run.device.trace or []
        if isinstance(e, ReceivedFrame) and (e.bus, e.word) == (0, 0x101)
    ]
    ages = []
    for sent in run.device.sent:
        if (sent.bus, sent.word) == (1, 0x0C8):
            before = [t for t in heard if t <= sent.asked_ns - 100_000]
            if before and sent.asked_ns - 100_000 - before[-1] <= 50 * MS:
                ages.append(sent.received_ns - before[-1])
    assert torque.worst_ms == pytest.approx(max(ages) / MS, abs=1e-3)
    assert torque.median_ms == pytest.approx(float(np.median(ages)) / MS, abs=1e-3)
    (budget,) = [c for c in checks if c.name == "passed on in time"]
    assert budget.status == "pass"


def test_a_request_that_waits_for_its_period_is_late(bench: Bench) -> None:
    text = small_swap.BRIDGE.replace('on_arrival = ["host.REQUEST"]\ngap_ms = 5\n', "")
    plan = compile_bridge(small_swap.bridge(text), small_swap.maps()).plan
    slow = replace(bench, plan=plan)
    _, checks = signal_times(plan, simulate(slow, partial(Translator, plan)), small_swap.maps())
    (budget,) = [c for c in checks if c.name == "passed on in time"]
    assert budget.status == "fail"
    assert "on_arrival" in budget.remedy


def test_loads_add_up(bench: Bench, run: Run) -> None:
    loads, checks = bus_times(bench, run)
    for number, load in enumerate(loads):
        busy = int(bench.traffic[number].duration_ns.sum()) + sum(
            run.buses[number].frame_ns(s.word, s.data) for s in run.device.sent if s.bus == number
        )
        seconds = busy / 1e9
        assert 0 < load.load_after <= load.worst_second_after < 1
        assert load.load_after == pytest.approx(seconds / round(seconds / load.load_after), rel=1e-3)
    assert all(c.status == "pass" for c in checks)


def test_what_is_seen_stays_within_the_bounds(bench: Bench, run: Run) -> None:
    rows, checks = judge_responses(bench, run, small_swap.maps())
    assert {r.identifier for r in rows} >= {"0C8", "280", "0F1", "101", "2F0"}
    for row in rows:
        assert row.bound_ms is not None
        assert row.seen_ms <= row.bound_ms
    assert all(c.status == "pass" for c in checks)


def test_silence_is_measured_and_a_missing_answer_named(bench: Bench) -> None:
    from swapbridge.proving.reference.reference import Reference
    from tests.proving import mutations

    bridge, maps = small_swap.bridge(), small_swap.maps()
    checks = judge_silence(bench, Reference(bridge, maps), partial(Translator, bench.plan))
    assert {c.subject for c in checks} == {"host.ENGINE_DATA", "host.TEMPS", "donor.TCU_REQUEST"}
    assert all(c.status == "pass" for c in checks)
    plan = mutations.without_fallback(bench.plan, "host.TEMPS")
    checks = judge_silence(replace(bench, plan=plan), Reference(bridge, maps), partial(Translator, plan))
    (bad,) = [c for c in checks if c.status == "fail"]
    assert bad.subject == "host.TEMPS"
    assert "still then" in bad.measured


NEEDS = (
    Need("transmission", "host", 0x0C8),
    Need("cluster", "host", role="Vehicle.Powertrain.CombustionEngine.EngineCoolant.Temperature"),
    Need("cluster", "host", signal="TEMPS.Dial"),
    Need("climate", "host", 0x777),
    Need("engine", "host", 0x0B4),
    Need("starter", how="wired", note="interlock"),
    Need("engine", "", how="licensed programming", note="pairing"),
)


def test_the_board_says_how_each_need_is_met(bench: Bench) -> None:
    content = [
        Check("content", "host.ENGINE_DATA.Speed", "x", "pass", ""),
        Check("content", "host.TEMPS.Lamp", "x", "fail", ""),
    ]
    rows, checks = board(bench, small_swap.bridge(), small_swap.maps(), NEEDS, {}, content)
    states = [r.state for r in rows[: len(NEEDS)]]
    assert states == ["proved", "not proved", "not proved", "missing", "present", "wired", "licensed programming"]
    assert rows[2].quality == "approximate", "a table is rounded"
    assert rows[1].quality == "exact"
    assert rows[4].made_from == "sent by TRANS"
    assert [c.status for c in checks] == ["pass", "fail", "fail", "fail", "pass"]
    assert all(c.remedy for c in checks if c.status == "fail")
    usual = {(r.module, r.need) for r in rows if r.state == "not mapped"}
    assert ("TRANS", "pedal position") in usual
    assert ("TRANS", "engine speed") not in usual


def test_what_vanished_must_be_supplied(bench: Bench) -> None:
    """Without the old engine computer two identifiers are gone that the plan sends, and one that nobody supplies."""
    host = small_swap.captures(5.0)["host"]
    gone = host.select(~np.isin(host.identifier, [0x0C8, 0x280, 0x2F0]))
    rows, checks = board(bench, small_swap.bridge(), small_swap.maps(), (), {"host": gone}, [])
    told = {c.name.split()[0]: c.status for c in checks if "vanished" in c.name}
    assert told == {"0C8": "pass", "280": "pass", "2F0": "unproved"}
    assert any(r.state == "missing" and r.need == "2F0 BODY" for r in rows)
    said = (Need("nobody", "host", word=0x2F0, how=NOBODY_WAITS),)
    rows, checks = board(bench, small_swap.bridge(), small_swap.maps(), said, {"host": gone}, [])
    told = {c.name.split()[0]: c.status for c in checks if "vanished" in c.name}
    assert told == {"0C8": "pass", "280": "pass", "2F0": "open"}
    assert all(r.state != "missing" for r in rows)


@pytest.mark.parametrize(("gap_us", "status"), [(5_000, "pass"), (500, "pass"), (0, "unproved")])
def test_without_a_gap_a_babbling_source_babbles_on_both_buses(
    bench: Bench, run: Run, gap_us: int, status: str
) -> None:
    sends = tuple(replace(s, gap_us=gap_us) if s.gap_us else s for s in bench.plan.sends)
    (check,) = babble(replace(bench, plan=replace(bench.plan, sends=sends)), run)
    assert (check.subject, check.status) == ("bus donor", status)
