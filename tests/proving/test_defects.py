"""Prove room: a plan with a defect fails its proof, whatever the class of defect; the sound plan passes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import islice
from typing import Any

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import set_up, simulate
from swapbridge.proving.prove import prove
from swapbridge.proving.verdict import Verdict
from tests.proving import mutations, small_swap


@pytest.fixture(scope="module")
def swap() -> tuple[Plan, Any, Any, Any]:
    bridge, maps = small_swap.bridge(), small_swap.maps()
    return compile_bridge(bridge, maps).plan, bridge, maps, small_swap.captures(6.0)


def _verdict(swap: Any, plan: Plan) -> Verdict:
    _, bridge, maps, captures = swap
    return prove(plan, captures, bridge, maps, thoroughness="none")


@pytest.fixture(scope="module")
def sound(swap: Any) -> Verdict:
    return _verdict(swap, swap[0])


def test_the_sound_plan_passes(sound: Verdict) -> None:
    assert [c for c in sound.checks if c.status == "fail"] == []
    assert sound.counts("content")["pass"] > 10


DEFECTS: dict[str, Callable[[Plan], Plan]] = {
    "wrong scale by 1 %": lambda p: mutations.scaled(p, "host.ENGINE_DATA", "Speed", 1),
    "counter off by one": lambda p: mutations.send_changed(
        p, "host.ENGINE_DATA", lambda s: mutations.with_counter(s, high=14)
    ),
    "counter steps by two": lambda p: mutations.send_changed(
        p, "donor.TCU_REQUEST", lambda s: mutations.with_counter(s, step=2)
    ),
    "wrong checksum seed": lambda p: mutations.send_changed(p, "host.ENGINE_DATA", mutations.with_wrong_seed),
    "wrong sum constant": lambda p: mutations.send_changed(p, "donor.TCU_REQUEST", mutations.with_wrong_seed),
    "period 20 % too long": lambda p: mutations.send_changed(p, "host.TEMPS", lambda s: replace(s, period_us=120_000)),
    "period 20 % too short": lambda p: mutations.send_changed(
        p, "host.ENGINE_DATA", lambda s: replace(s, period_us=8_000)
    ),
    "fallback missing": lambda p: mutations.without_fallback(p, "host.TEMPS"),
    "sent one bit shifted": lambda p: mutations.field_changed(
        p, "host.TEMPS", "Lamp", lambda f: replace(f, layout=replace(f.layout, start=f.layout.start - 1))
    ),
    "read one bit shifted": lambda p: replace(
        p,
        feeds=tuple(
            replace(
                f, extracts=tuple(replace(e, layout=replace(e.layout, start=e.layout.start + 1)) for e in f.extracts)
            )
            if f.name == "donor.SLOW"
            else f
            for f in p.feeds
        ),
    ),
}


@pytest.mark.parametrize("name", DEFECTS)
def test_each_class_of_defect_is_caught_and_named(swap: Any, name: str) -> None:
    verdict = _verdict(swap, DEFECTS[name](swap[0]))
    failed = [c for c in verdict.checks if c.status == "fail"]
    assert failed, name
    assert not verdict.passed
    assert all(c.remedy for c in failed), "a failing item says what to change"
    areas = {c.area for c in failed if c.name != "compiled again"}
    assert "content" in areas or "form" in areas or "faults" in areas


def test_a_plan_that_listens_to_a_wrong_identifier_does_not_make_its_judge_deaf(swap: Any) -> None:
    """What the bridge file reads reaches the reference whatever the plan listens to: content differs."""
    plan, _, _, captures = swap
    bench = set_up(plan, captures)
    sound = _behaviour(bench, plan, range(1))
    judged = 0
    for number, receive in enumerate(plan.receives):
        deaf = replace(receive, word=receive.word ^ 1)
        mutant = replace(plan, receives=(*plan.receives[:number], deaf, *plan.receives[number + 1 :]))
        if _behaviour(bench, mutant, range(1)) == sound:
            continue  # its values stay what is said without them, in these six seconds
        failed = [c for c in _verdict(swap, mutant).checks if c.area == "content" and c.status == "fail"]
        assert failed, receive.name
        judged += 1
    assert judged >= 2


@pytest.mark.parametrize("name", ["donor", "host"])
def test_a_bus_that_does_not_wake_the_translator_is_told(swap: Any, name: str) -> None:
    """In the recordings both buses wake at once, which hides it."""
    plan = swap[0]
    buses = tuple(replace(b, wakes=False) if b.name == name else b for b in plan.buses)
    failed = [c for c in _verdict(swap, replace(plan, buses=buses)).checks if c.status == "fail"]
    found = [(c.subject, c.name) for c in failed]
    assert found == [("plan", "compiled again"), (f"bus {name}", "wakes alone")]


def test_a_message_that_only_comes_with_the_engine_running(swap: Any, sound: Verdict) -> None:
    """The old engine computer sent its temperatures with the key on; the plan waits for the engine."""
    plan = mutations.send_changed(swap[0], "host.TEMPS", lambda s: replace(s, states=1 << 4))
    failed = [c for c in _verdict(swap, plan).checks if c.name == "before the engine runs"]
    assert [(c.status, c.measured) for c in failed] == [("fail", "not sent: host.TEMPS")]
    assert [c.status for c in sound.checks if c.name == "before the engine runs"] == ["pass"]


def test_a_plan_of_another_bridge_file_is_told(swap: Any) -> None:
    plan = replace(swap[0], inputs=(("bridge", "0" * 64),))
    verdict = _verdict(swap, plan)
    assert any(c.name == "belong together" and c.status == "fail" for c in verdict.checks)


def _behaviour(bench: Any, plan: Plan, seeds: range) -> list[Any]:
    """What a plan sends in the recordings and in some disturbed runs, with times."""
    out: list[Any] = []
    make = partial(Translator, plan)
    bench = replace(bench, plan=plan)
    run = simulate(bench, make, record=False)
    out.append([(s.asked_ns, s.bus, s.word, s.data) for s in run.device.sent])
    return out


@pytest.mark.long(180)
def test_of_a_hundred_random_mutations_98_are_caught(swap: Any) -> None:
    """Mutations that change what the translator does, in the recordings or under a fault, fail the proof."""
    plan, bridge, maps, captures = swap
    hunt = mutations.begin_hunt(plan, bridge, maps, captures)
    judged = (hunt.judge(*mutant) for mutant in mutations.mutants(plan, 2))
    changed = islice((outcome for outcome in judged if outcome.differs), 100)
    survivors = [f"{o.words}: {o.differs}" for o in changed if not o.caught_by]
    assert len(survivors) <= 2, survivors
