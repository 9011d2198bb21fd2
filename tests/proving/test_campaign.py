"""Prove room: faults do what they say, runs repeat from their seed, and the rules catch what they must."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from multiprocessing import active_children
from typing import Any

import numpy as np
import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.can_bits import frame_bits
from swapbridge.core.errors import InputError
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import Bench, set_up, simulate
from swapbridge.proving.bench.excerpt import excerpt
from swapbridge.proving.bench.nodes import SECOND, Polled, ReceivedFrame, Sent
from swapbridge.proving.faults.campaign import (
    CampaignInputs,
    FaultTask,
    chosen_tasks,
    planned_only,
    planned_rate,
    run_campaign,
    run_fault,
    stale_values,
    tasks_for,
    under_way,
)
from swapbridge.proving.faults.faults import FAULTS, RunSetup
from swapbridge.proving.faults.soak import soak
from tests.proving import small_swap


@pytest.fixture(scope="module")
def inputs() -> CampaignInputs:
    bridge, maps = small_swap.bridge(), small_swap.maps()
    plan = compile_bridge(bridge, maps).plan
    return CampaignInputs(set_up(plan, small_swap.captures(12.0)), bridge, maps, partial(Translator, plan))


@pytest.mark.parametrize("name", FAULTS)
def test_the_sound_plan_bears(inputs: CampaignInputs, name: str) -> None:
    result = run_fault(inputs, FaultTask((name,), 7, 5))
    assert result.problems == ()
    assert result.frames_sent > 100


def test_reaction_and_recovery_are_measured(inputs: CampaignInputs) -> None:
    """A silent donor: age limits 50 and 500 ms, holds up to 200 ms; back after three frames of 100 ms at most.

    A silent host: the request's age limit of 60 ms and a ramp; back after three frames of 10 ms.
    """
    results = [run_fault(inputs, FaultTask(("source bus silent",), 8, seed)) for seed in range(6)]
    reactions = [r.reaction_ms for r in results if r.reaction_ms is not None]
    assert len(reactions) > 3
    assert all(40 < r < 750 for r in reactions)
    assert max(reactions) > 400
    recoveries = [r.recovery_ms for r in results if r.recovery_ms is not None]
    # three frames of 100 ms, and the 100 ms of the message that it goes out in
    assert all(20 < r < 420 for r in recoveries)
    assert max(recoveries) > 200
    one = [run_fault(inputs, FaultTask((name,), 8, 1)) for name in ("bits flipped", "clock wraps", "babbling node")]
    assert [(r.reaction_ms, r.recovery_ms) for r in one] == [(None, None)] * 3, "nothing is due by that fault"
    again = run_fault(inputs, FaultTask(("translator bus-off",), 8, 1)).recovery_ms
    assert again is not None
    assert again < 300


def test_two_faults_at_once_and_again_from_the_seed(inputs: CampaignInputs) -> None:
    task = FaultTask(("10 % of frames lost", "translator bus-off"), 6, 77)
    assert run_fault(inputs, task) == run_fault(inputs, task)


def test_in_processes_the_same_comes_out(inputs: CampaignInputs) -> None:
    tasks = [FaultTask(("bits flipped",), 5, 1), FaultTask(("power cut",), 5, 2), FaultTask(("bus errors",), 5, 3)]
    assert run_campaign(inputs, tasks, workers=2) == run_campaign(inputs, tasks)


def test_what_an_ended_process_had_begun_is_done_here(inputs: CampaignInputs) -> None:
    """As a system short of memory does, the other process is killed while it works."""
    tasks = [FaultTask(("bits flipped",), 5, 1), FaultTask(("power cut",), 5, 2)]
    before = set(active_children())
    with under_way(inputs, tasks, 2) as runs:
        others = set(active_children()) - before
        assert others
        for other in others:
            other.kill()
        assert runs(None) == run_campaign(inputs, tasks)


def test_campaigns_have_every_single_and_pair() -> None:
    full = tasks_for("full", 0)
    n = len(FAULTS)
    assert len(full) == n + n * (n - 1) // 2
    assert {t.seconds for t in full if len(t.faults) == 1} == {60}
    assert {t.seconds for t in full if len(t.faults) == 2} == {20}
    assert len({t.seed for t in full}) == len(full)
    assert tasks_for("quick", 3) == tasks_for("quick", 3)
    assert tasks_for("quick", 3) != tasks_for("quick", 4)


def test_one_run_again_by_its_name() -> None:
    full = {t.faults: t for t in tasks_for("full", 9)}
    again = chosen_tasks("full", 9, ["power cut", "bus errors + bits flipped"])
    assert again == [full["power cut",], full["bits flipped", "bus errors"]]
    with pytest.raises(InputError, match="'gremlins' is not a fault"):
        chosen_tasks("quick", 0, ["gremlins"])


def _scene(inputs: CampaignInputs) -> RunSetup:
    rng = np.random.default_rng(4)
    plan = inputs.bench.plan
    traffic = list(inputs.bench.traffic)
    return RunSetup(plan, inputs.maps, inputs.bench.reads, traffic, 4 * SECOND, 6 * SECOND, rng, inputs.make)


def _counts(setup: RunSetup, bench: Bench) -> list[tuple[int, int]]:
    inside = [int(setup.within(t).sum()) for t in setup.traffic]
    before = [int(((t.release_ns >= setup.start_ns) & (t.release_ns < setup.end_ns)).sum()) for t in bench.traffic]
    return list(zip(before, inside, strict=True))


def test_faults_change_what_they_name_and_only_in_their_time(inputs: CampaignInputs) -> None:
    outside: Callable[[Any], Any] = lambda t: t.word[(t.release_ns < 4 * SECOND) | (t.release_ns > 6.3 * SECOND)]  # noqa: E731
    for name in ("source bus silent", "one identifier silent", "50 % of frames lost", "one identifier doubled"):
        setup = _scene(inputs)
        FAULTS[name](setup)
        counts = _counts(setup, inputs.bench)
        assert any(a != b for a, b in counts), name
        for ours, was in zip(setup.traffic, inputs.bench.traffic, strict=True):
            assert (outside(ours) == outside(was)).all(), name
    setup = _scene(inputs)
    FAULTS["source bus silent"](setup)
    assert any(b == 0 for _, b in _counts(setup, inputs.bench))
    setup = _scene(inputs)
    FAULTS["50 % of frames lost"](setup)
    for full, left in _counts(setup, inputs.bench):
        assert 0.35 < left / full < 0.65


def test_a_burst_fills_the_bus(inputs: CampaignInputs) -> None:
    setup = _scene(inputs)
    FAULTS["burst at 100 % load"](setup)
    loads = [t.load(setup.start_ns, setup.end_ns) for t in setup.traffic]
    assert max(loads) > 0.98


def test_edited_frames_keep_a_right_checksum_where_they_say(inputs: CampaignInputs) -> None:
    fast = small_swap.maps()["donor"].message("FAST")
    assert fast is not None
    check = fast.signal("Check")
    assert check is not None
    assert check.checksum is not None
    for name, right in (("bits flipped, checksum right", True), ("counters stuck", True), ("bits flipped", False)):
        setup = _scene(inputs)
        FAULTS[name](setup)
        rows = setup.within(setup.traffic[0]) & (setup.traffic[0].word == 0x101)
        holds = [check.checksum.holds(p.tobytes()) for p in setup.traffic[0].payload[rows]]
        assert all(holds) == right, name


@pytest.mark.parametrize("name", ["bits flipped", "values at their ends"])
def test_edited_frames_take_the_time_of_their_new_stuff_bits(inputs: CampaignInputs, name: str) -> None:
    """Each frame's time on the bus is that of the bit-by-bit writer in `core.can_bits`, at 2 us a bit."""
    setup = _scene(inputs)
    FAULTS[name](setup)
    changed = 0
    for ours, was in zip(setup.traffic, inputs.bench.traffic, strict=True):
        for row in np.flatnonzero((ours.payload != was.payload).any(axis=1))[:200].tolist():
            data = ours.payload[row, : ours.length[row]].tobytes()
            bits, _ = frame_bits(int(ours.word[row]), False, data)
            assert ours.duration_ns[row] == 2000 * bits
            changed += int(ours.duration_ns[row] != was.duration_ns[row])
    assert changed > 10


def test_identifiers_come_and_go_each_at_its_own_times(inputs: CampaignInputs) -> None:
    """Silences shorter and longer than the usual age limit of five periods, and recoveries, of every source."""
    setup = _scene(inputs)
    FAULTS["identifiers come and go"](setup)
    shared = None
    for bus, words in enumerate(inputs.bench.reads):
        for word in words:
            times = setup.traffic[bus].release_ns[setup.traffic[bus].word == word]
            was = inputs.bench.traffic[bus].release_ns[inputs.bench.traffic[bus].word == word]
            gaps = np.diff(times) / np.median(np.diff(was))
            assert (gaps > 1.9).sum() >= 2
            assert gaps.max() < 60
            gone = set(was.tolist()) - set(times.tolist())
            assert min(gone) >= setup.start_ns
            assert max(gone) < setup.end_ns
            if np.median(np.diff(was)) < 25_000_000:
                assert ((gaps > 2) & (gaps < 5)).any()
                assert (gaps > 6).any()
                shared = gone if shared is None else shared & gone
    assert shared == set()


def test_faults_aim_at_what_the_bridge_file_reads(inputs: CampaignInputs) -> None:
    """A plan that listens elsewhere is not spared: the true source is edited, and silenced, all the same."""
    plan = inputs.bench.plan
    deaf = replace(plan, receives=tuple(replace(r, word=r.word ^ 1) for r in plan.receives))
    for name in ("values at their ends", "one identifier silent"):
        scenes = [_scene(inputs), replace(_scene(inputs), plan=deaf)]
        for setup in scenes:
            FAULTS[name](setup)
        for sound, aimed, was in zip(*(s.traffic for s in scenes), inputs.bench.traffic, strict=True):
            assert (sound.payload == aimed.payload).all()
            assert len(sound) == len(aimed)
            assert name != "values at their ends" or (aimed.payload != was.payload).any()


def test_an_excerpt_keeps_the_wake_up(inputs: CampaignInputs) -> None:
    traffic, lead = excerpt(inputs.bench, 6 * SECOND, np.random.default_rng(1))
    for ours, was in zip(traffic, inputs.bench.traffic, strict=True):
        early = was.start_ns < lead
        assert (ours.payload[: early.sum()] == was.payload[early]).all()
        assert int(ours.start_ns[-1]) < 6.1 * SECOND


def _run(inputs: CampaignInputs, plan: Plan) -> Any:
    return simulate(replace(inputs.bench, plan=plan), partial(Translator, plan), until_ns=4 * SECOND)


def test_rule_planned_identifiers(inputs: CampaignInputs) -> None:
    run = _run(inputs, inputs.bench.plan)
    assert planned_only(inputs.bench.plan, run.device.sent) == []
    odd = [*run.device.sent, Sent(0, 1, 0x123, b"", 0)]
    assert planned_only(inputs.bench.plan, odd) == ["1 frames of 123 on host are not in the plan"]


def test_rule_planned_rate(inputs: CampaignInputs) -> None:
    plan = inputs.bench.plan
    hasty = replace(plan, sends=tuple(replace(s, period_us=s.period_us // 2) for s in plan.sends))
    run = _run(inputs, hasty)
    assert any("frames in" in p for p in planned_rate(plan, run.device.sent, False))
    assert planned_rate(plan, _run(inputs, plan).device.sent, False) == []


def test_rule_no_stale_torque(inputs: CampaignInputs) -> None:
    """A translator that goes on with its last torque after its source has gone is caught without the reference."""
    plan = inputs.bench.plan
    run = _run(inputs, plan)
    trace = run.device.trace
    assert stale_values(plan, inputs.bridge, inputs.maps, trace) == []
    deaf = [e for e in trace if not (isinstance(e, ReceivedFrame) and e.word == 0x101 and e.now_us > 2_500_000)]
    assert any(p.startswith("host.ENGINE_DATA.Torque") for p in stale_values(plan, inputs.bridge, inputs.maps, deaf))
    assert any(isinstance(e, Polled) for e in deaf)


def test_a_soak_repeats_the_recordings_and_wraps_the_clock(inputs: CampaignInputs) -> None:
    result = soak(inputs, seconds=40)
    assert result.problems == ()
    assert result.faults == ("soak of 40 s",)
    assert result.frames_sent > 5_000
    plan = inputs.bench.plan
    hasty = replace(plan, sends=tuple(replace(s, period_us=s.period_us // 2) for s in plan.sends))
    bad = replace(inputs, bench=replace(inputs.bench, plan=hasty), make=partial(Translator, hasty))
    assert soak(bad, seconds=15).problems != ()
