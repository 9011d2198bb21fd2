"""Prove room: reference and translator agree on every way to send: pages, on change, stop, once, answers."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np
import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import set_up, simulate
from swapbridge.proving.bench.nodes import SECOND, Polled, ReceivedFrame
from swapbridge.proving.faults.campaign import CampaignInputs, FaultTask, run_fault, stale_values
from swapbridge.proving.judges.frames.content import content_checks
from swapbridge.proving.judges.runs.silence import judge_silence
from swapbridge.proving.judges.runs.timing import signal_times
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.trace import judge_trace
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.proving import small_swap

MORE = """
[[messages]]
send = "host.PAGES"
period_ms = 50
[messages.signals]
Warm = { value = "clamp(donor.SLOW.Coolant, -40 degC, 200 degC)", fallback = "-40 degC", role = "value" }
Revs = { value = "donor.FAST.Speed", fallback = "0 rpm", role = "value" }

[[messages]]
send = "host.LAMPS"
on_change = true
gap_ms = 30
rest = "zero"
[messages.signals]
Lamp = { value = "donor.SLOW.Lamp", fallback = "1" }
Fast = { value = "donor.FAST.Speed > 1700 rpm", fallback = "false" }

[[messages]]
send = "host.STOPS"
period_ms = 30
when_stale = "stop"
delay_ms = 70
[messages.signals]
Revs = { value = "donor.FAST.Speed", fallback = "0 rpm", role = "value" }

[[messages]]
send = "host.HELLO"
once = true
states = ["run"]
[messages.signals]
Word = { value = "0x2B41", fallback = "0x2B41", role = "value" }

[diagnostics]
mode = "answer"
tester = "host"
answers = { "0C" = "donor.FAST.Speed" }
"""


def _maps() -> dict[str, SignalMap]:
    def signal(name: str, start: int, length: int, **more: Any) -> MapSignal:
        return MapSignal(name, Layout(start, length), **more)

    lamps = (signal("Lamp", 0, 1), signal("Fast", 1, 1), signal("Rest", 8, 8))
    messages = (
        MapMessage(
            "PAGES",
            0x300,
            False,
            4,
            (
                signal("Page", 0, 2, is_multiplexer=True),
                signal("Warm", 8, 8, offset=Fraction(-40), unit="degC", mux_signal="Page", mux_values=(1,)),
                signal("Revs", 8, 16, unit="rpm", mux_signal="Page", mux_values=(2,)),
            ),
            senders=("ENGINE",),
        ),
        MapMessage("LAMPS", 0x301, False, 2, lamps, senders=("ENGINE",)),
        MapMessage("STOPS", 0x302, False, 2, (signal("Revs", 0, 16, unit="rpm"),), senders=("ENGINE",)),
        MapMessage("HELLO", 0x303, False, 2, (signal("Word", 0, 16),), senders=("ENGINE",)),
    )
    maps = small_swap.maps()
    return {**maps, "host": replace(maps["host"], messages=(*maps["host"].messages, *messages))}


TORQUE_PAGES = """
[[messages]]
send = "host.TORQUES"
period_ms = 10
[messages.signals]
Torque = { value = "clamp(donor.FAST.Torque, -200 Nm, 1000 Nm)", limits = ["-200 Nm", "1000 Nm"], hold_ms = 0 }
Revs = { value = "donor.FAST.Speed", fallback = "0 rpm", role = "value", hold_ms = 900 }
Loss = { value = "clamp(donor.FAST.Torque, -200 Nm, 1000 Nm)", limits = ["-200 Nm", "1000 Nm"], hold_ms = 0 }
"""


def _torque_pages() -> tuple[Any, dict[str, SignalMap], Plan]:
    """Torque on one page of a message, on the other a value that is held for long, and a torque on both."""
    role = "Vehicle.Powertrain.CombustionEngine.Torque"
    pages = MapMessage(
        "TORQUES",
        0x310,
        False,
        5,
        (
            MapSignal("Page", Layout(0, 2), is_multiplexer=True),
            MapSignal(
                "Torque", Layout(8, 12), Fraction(1, 2), Fraction(-500), Fraction(-500), Fraction(1500), "Nm",
                role=role, not_available=(0xFFF,), mux_signal="Page", mux_values=(1,),
            ),
            MapSignal("Revs", Layout(8, 16), unit="rpm", mux_signal="Page", mux_values=(2,)),
            MapSignal(
                "Loss", Layout(24, 12), Fraction(1, 2), Fraction(-500), Fraction(-500), Fraction(1500), "Nm",
                role=role, not_available=(0xFFF,),
            ),
        ),
        senders=("ENGINE",),
    )  # fmt: skip
    maps = small_swap.maps()
    maps["host"] = replace(maps["host"], messages=(*maps["host"].messages, pages))
    bridge = small_swap.bridge(small_swap.BRIDGE + TORQUE_PAGES)
    return bridge, maps, compile_bridge(bridge, maps).plan


def test_a_page_is_judged_by_its_own_frames() -> None:
    """Silence and stale torque: frames of the other page hold other bits in that place and say nothing of it."""
    bridge, maps, plan = _torque_pages()
    bench, make = set_up(plan, small_swap.captures(6.0)), partial(Translator, plan)
    checks = [c for c in judge_silence(bench, Reference(bridge, maps, steps_of(plan)), make) if "TORQUES" in c.subject]
    assert [c.status for c in checks] == ["pass"], checks
    inputs = CampaignInputs(bench, bridge, maps, make)
    run = run_fault(inputs, FaultTask(("source bus silent",), 8, 2))
    assert run.problems == ()
    trace: Any = simulate(bench, make, until_ns=4 * SECOND).device.trace
    deaf = [e for e in trace if not (isinstance(e, ReceivedFrame) and e.word == 0x101 and e.now_us > 2_500_000)]
    told = [p for p in stale_values(plan, bridge, maps, deaf) if p.startswith("host.TORQUES")]
    last = max(e.now_us for e in deaf if isinstance(e, ReceivedFrame) and e.word == 0x101)
    # age limit 50 ms, two steps of 10 ms
    late = [e.frame for e in deaf if isinstance(e, Polled) and e.now_us > last + 70_000 and e.frame is not None]
    pages = [f.data[0] & 3 for f in late if f.word == 0x310]
    assert told == [
        f"host.TORQUES.{name}: {count} frames carried a stale value"
        for name, count in (("Torque", pages.count(1)), ("Loss", len(pages)))
    ]


def test_the_age_of_a_page_is_that_of_its_own_frames() -> None:
    """Each signal once, however many pages carry it; a page's age counts from its own frames only."""
    _, maps, plan = _torque_pages()
    run = simulate(set_up(plan, small_swap.captures(6.0)), partial(Translator, plan))
    times, _ = signal_times(plan, run, maps)
    subjects = [t.subject for t in times if t.subject.startswith("host.TORQUES")]
    assert sorted(subjects) == ["host.TORQUES.Loss", "host.TORQUES.Revs", "host.TORQUES.Torque"]
    heard = [
        e.now_us * 1000
        for e in run.device.trace or []
        if isinstance(e, ReceivedFrame) and (e.bus, e.word) == (0, 0x101)
    ]
    ages = []
    for sent in (s for s in run.device.sent if s.word == 0x310 and s.data[0] & 3 == 1):
        before = max((t for t in heard if t <= sent.asked_ns - 100_000), default=None)
        if before is not None and sent.asked_ns - 100_000 - before <= 50_000_000:
            ages.append(sent.received_ns - before)
    torque = next(t for t in times if t.subject == "host.TORQUES.Torque")
    assert torque.worst_ms == pytest.approx(max(ages) / 1e6, abs=1e-3)
    assert torque.median_ms == pytest.approx(float(np.median(ages)) / 1e6, abs=1e-3)


def test_the_reaction_of_pages_is_measured() -> None:
    """A message of pages falls back as others do: its reaction counts."""
    head, _, _ = small_swap.BRIDGE.partition("[[messages]]")
    _, pages, _ = MORE.split("[[messages]]", 2)
    bridge, maps = small_swap.bridge(f"{head}[[messages]]{pages}"), _maps()
    plan = compile_bridge(bridge, maps).plan
    inputs = CampaignInputs(set_up(plan, small_swap.captures(9.0)), bridge, maps, partial(Translator, plan))
    reactions = [run_fault(inputs, FaultTask(("source bus silent",), 8, seed)).reaction_ms for seed in range(4)]
    assert any(r is not None and 40 < r < 750 for r in reactions)


@pytest.fixture(scope="module")
def parts() -> tuple[Any, dict[str, SignalMap], Plan]:
    bridge, maps = small_swap.bridge(small_swap.BRIDGE + MORE), _maps()
    return bridge, maps, compile_bridge(bridge, maps).plan


def test_every_way_to_send(parts: Any) -> None:
    bridge, maps, plan = parts
    run = simulate(set_up(plan, small_swap.captures(6.0)), lambda: Translator(plan))
    trace: Any = run.device.trace
    reference = Reference(bridge, maps, steps_of(plan))
    contents = judge_trace(plan, reference, trace)
    assert contents.wrong == 0, contents.first_problem()
    frames = {word: tally.frames for (_, word), tally in contents.tallies.items()}
    assert frames[0x300] > 100
    assert 3 <= frames[0x301] < 60, "on change only"
    assert 150 < frames[0x302] < 200, "stops when its source does"
    assert frames[0x303] == 1
    told = {c.name: c.measured for c in content_checks(plan, contents, reference) if c.status != "pass"}
    assert told == dict.fromkeys(told, "no answer: its source is not in the captures")
    answers = {"answer 00: list of identifiers answered", "answer 0C: engine speed", "answers to several at once"}
    assert set(told) == answers, "nobody asked in this run"


@pytest.mark.parametrize("name", ["source bus silent", "values at their ends", "power cut", "buses asleep and awake"])
def test_under_faults_too(parts: Any, name: str) -> None:
    bridge, maps, plan = parts
    inputs = CampaignInputs(set_up(plan, small_swap.captures(9.0)), bridge, maps, lambda: Translator(plan))
    assert run_fault(inputs, FaultTask((name,), 8, 3)).problems == ()
