"""Prove room: the exact reference knows the whole language, and agrees with figures worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import partial
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.expressions.functions import FUNCTIONS as LANGUAGE
from swapbridge.core.layout import Layout
from swapbridge.language.expressions import Call
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import set_up, simulate
from swapbridge.proving.reference.exact import FUNCTIONS, Evaluator
from swapbridge.proving.reference.exact_memory import MEMORIES
from swapbridge.proving.reference.exact_values import Exact, Purpose, between, nearest
from swapbridge.proving.reference.open_choices import loose_fields, steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.trace import judge_trace
from swapbridge.signalmap.signal_map import MapMessage, MapSignal
from tests.proving import mutations, small_swap


def test_every_function_of_the_language_is_known() -> None:
    assert set(LANGUAGE) == set(FUNCTIONS) | set(MEMORIES)


@given(st.lists(st.fractions(min_value=-3, max_value=3), min_size=3, max_size=3))
def test_between_two_ends_also_where_they_are_exchanged(three: list[Fraction]) -> None:
    value, low, high = three
    assert between(value, low, high) == min(max(value, low), high)


@given(st.fractions(min_value=-1000, max_value=1000))
def test_rounding_is_half_away_from_zero(value: Fraction) -> None:
    rounded = nearest(value)
    assert abs(rounded - value) <= Fraction(1, 2)
    if abs(rounded - value) == Fraction(1, 2):
        assert abs(rounded) > abs(value)
    assert nearest(-value) == -rounded


def _reference(text: str = small_swap.BRIDGE) -> Reference:
    return Reference(small_swap.bridge(text), small_swap.maps())


def _hear(reference: Reference, speed: int, torque: int, count: int, now: int) -> None:
    message = small_swap.maps()["donor"].message("FAST")
    assert message is not None
    data = bytearray(8)
    for name, raw in (("Speed", speed), ("Torque", torque), ("Count", count)):
        signal = message.signal(name)
        assert signal is not None
        signal.layout.pack(data, raw)
    check = message.signal("Check")
    assert check is not None
    assert check.checksum is not None
    check.checksum.insert(data)
    reference.heard(0, 0x101, bytes(data), now)


def _sent(reference: Reference, name: str, now: int) -> int:
    reference.polled(now)
    target = reference.targets[1, 0x0C8]
    signal = target.message.signal(name)
    assert signal is not None
    return signal.layout.unpack(target.next_payload())


def test_values_worked_out_by_hand() -> None:
    """1234.5 rpm at 0.125 is raw 9876 and leaves as 4938 at 0.25; 321.5 Nm is raw 1443, and 1643 with offset -500."""
    reference = _reference()
    _hear(reference, 9876, 1443, 0, 1_000)
    assert _sent(reference, "Speed", 2_000) == 4938
    assert _sent(reference, "Torque", 2_000) == 1643
    assert _sent(reference, "Running", 2_000) == 1
    _hear(reference, 9877, 1443, 1, 11_000)
    assert _sent(reference, "Speed", 12_000) == 4939, "4938.5 rounds away from zero"


def test_stale_hold_fallback_and_recovery_by_hand() -> None:
    """Age limit 50 ms (five periods of 10), Speed held 200 ms, then 'not available'; back after three good frames."""
    reference = _reference()
    now = 0
    for n in range(20):
        _hear(reference, 8000, 1443, n % 15, now)
        reference.polled(now)
        now += 10_000
    assert _sent(reference, "Speed", now) == 4000
    silent = now - 10_000
    for t in range(now, now + 400_000, 10_000):
        raw = _sent(reference, "Speed", t)
        if t - silent <= 240_000:
            assert raw == 4000, "still held"
        elif t - silent >= 270_000:
            assert raw == 0xFFFF
        if t - silent > 60_000:
            assert _sent(reference, "Torque", t) == 0xFFF, "torque is not held"
        now = t
    for n in (20, 21, 22):
        now += 10_000
        _hear(reference, 8000, 1443, n % 15, now)
        assert (_sent(reference, "Torque", now) == 1643) == (n == 22), "three good frames in a row"


def test_a_wrong_counter_or_checksum_is_not_taken() -> None:
    reference = _reference()
    _hear(reference, 8000, 1443, 0, 0)
    _hear(reference, 8080, 1443, 1, 10_000)
    assert _sent(reference, "Speed", 10_000) == 4040
    _hear(reference, 9999, 1443, 9, 20_000)
    assert _sent(reference, "Speed", 20_000) == 4040, "the counter jumped by eight"
    reference.heard(0, 0x101, bytes(8), 30_000)
    assert _sent(reference, "Speed", 30_000) == 4040, "the checksum is wrong"


WHOLE_LANGUAGE = small_swap.BRIDGE.replace(
    'Speed = { value = "donor.FAST.Speed", hold_ms = 200 }',
    'Speed = { value = "clamp(THIS, 0 rpm, 8000 rpm)", fallback = "0 rpm" }',
)
EXPRESSIONS = [
    "rate_limit(donor.FAST.Speed, 500 rpm, 250 rpm)",
    "choose(hysteresis(donor.FAST.Speed, 1500 rpm, 1200 rpm), donor.FAST.Speed, 1000 rpm)",
    "choose(debounce(donor.FAST.Speed > 1500 rpm, 0.2 s), donor.FAST.Speed, 1000 rpm)",
    "choose(hold(donor.FAST.Speed > 2200 rpm, 0.3 s), 3000 rpm, 100 rpm)",
    "choose(time_since(donor.FAST.Speed > 2200 rpm) < 0.4 s, 3000 rpm, 100 rpm)",
    "choose(toggle(donor.FAST.Speed > 1500 rpm), 1 rpm, 2 rpm)",
    "choose(rising(donor.FAST.Speed > 1500 rpm), 1 rpm, 2 rpm)",
    "choose(falling(donor.FAST.Speed > 1500 rpm), 1 rpm, 2 rpm)",
    "choose(falling(donor.FAST.Speed > 1500 rpm) or awake(host), 7 rpm, 2 rpm)",
    "donor.FAST.Speed * (donor.FAST.Torque / 100 Nm)",
    "donor.FAST.Speed * 10 / (donor.FAST.Torque / 1 Nm) else 5 rpm",
    "max(donor.FAST.Speed / 3, 700 rpm, abs(donor.FAST.Torque / 1 Nm) * 1 rpm)",
    "first_valid(within(donor.FAST.Speed, 0 rpm, 1800 rpm), 42 rpm)",
    "round_to(donor.FAST.Speed, 70 rpm)",
    "choose(valid(donor.SLOW) and age(donor.SLOW) < 60 ms, donor.FAST.Speed, 9 rpm)",
    "choose(state == 'run', donor.FAST.Speed, 9 rpm)",
    "choose(time_since(not awake(host) or state == 'wake') < 0.4 s, donor.FAST.Speed, 9 rpm)",
    "lookup(donor.SLOW.Lamp, 0: 100 rpm, 1: 200.5 rpm)",
    "lowpass(donor.FAST.Speed, 0.05 s) - 10 rpm",
    "-donor.FAST.Speed + 8000 rpm",
]


def test_a_part_that_reads_one_signal_is_worked_out_once_a_value(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Speed and torque never meet twice at the same values; of speed there are three all the same, and each frame of a
    reference that never met any says the same.
    """
    formula = "max(donor.FAST.Speed, 700 rpm) + min(donor.FAST.Torque / 1 Nm, 300) * 1 rpm"
    text = WHOLE_LANGUAGE.replace("THIS", formula)
    asked: list[str] = []

    def counted(evaluator: Evaluator, node: Call, wanted: Purpose) -> Exact:
        asked.append(node.function)
        return extreme(evaluator, node, wanted)

    extreme = FUNCTIONS["max"]
    monkeypatch.setitem(FUNCTIONS, "max", counted)
    reference = _reference(text)
    met: list[int] = []
    for n in range(30):
        _hear(reference, 8000 + 80 * (n % 3), 1000 + n, n % 15, 10_000 * n)
        if not n:
            asked.clear()  # what was met while the reference was made
        met.append(_sent(reference, "Speed", 10_000 * n))
    assert asked.count("max") <= 6, "three values, and what it takes to learn what it reads"
    for n, found in enumerate(met):
        alone = _reference(text)
        _hear(alone, 8000 + 80 * (n % 3), 1000 + n, n % 15, 0)
        assert _sent(alone, "Speed", 0) == found


@pytest.fixture(scope="module")
def captures() -> Any:
    return small_swap.captures(3.5)


@pytest.mark.parametrize("expression", EXPRESSIONS)
def test_reference_and_translator_agree_on(captures: Any, expression: str) -> None:
    """Two implementations that share only the parser and the unit table say the same in every frame."""
    bridge, maps = small_swap.bridge(WHOLE_LANGUAGE.replace("THIS", expression)), small_swap.maps()
    plan = compile_bridge(bridge, maps).plan
    bench = set_up(plan, captures)
    run = simulate(bench, lambda: Translator(plan))
    trace: Any = run.device.trace
    contents = judge_trace(plan, Reference(bridge, maps, steps_of(plan)), trace)
    assert contents.wrong == 0, contents.first_problem()
    assert contents.tallies[1, 0x0C8].frames > 300


def test_passed_frames_are_known_from_made_ones(captures: Any) -> None:
    """A frame that a rule passes is right when it was heard; one that nobody sent is a stranger."""
    text = small_swap.BRIDGE + '\n[[pass]]\nfrom = "donor"\nto = "host"\nids = ["291"]\nas = "391"\n'
    bridge, maps = small_swap.bridge(text), small_swap.maps()
    plan = compile_bridge(bridge, maps).plan
    run = simulate(set_up(plan, captures), lambda: Translator(plan))
    trace: Any = run.device.trace
    contents = judge_trace(plan, Reference(bridge, maps, steps_of(plan)), trace)
    assert contents.wrong == 0, contents.first_problem()
    assert contents.passed > 20
    without = replace(plan, passes=())
    contents = judge_trace(without, Reference(bridge, maps, steps_of(plan)), trace)
    assert contents.strangers[1, 0x391] > 20


LOOSE = """
[sources."donor.SLOW".signals]
Coolant = { unit = "kPa" }

[[messages]]
send = "host.PRESSURE"
period_ms = 50
[messages.signals]
Oil = { value = "clamp(donor.SLOW.Coolant, 0 kPa, 140 kPa)", fallback = "not available", HOLD role = "value" }
"""


@pytest.mark.parametrize("hold", ["", "hold_ms = 300,"])
def test_a_nearby_constant_excuses_no_missing_fallback(captures: Any, hold: str) -> None:
    """A factor of more than 31 bits may move a value by 1/1000 step; the safe answer is due to the bit all the same."""
    head, _, _ = small_swap.BRIDGE.partition("[[messages]]")
    maps = small_swap.maps()
    oil = MapSignal("Oil", Layout(0, 8), Fraction(1, 10), unit="psi", minimum=Fraction(0), maximum=Fraction(25),
                    not_available=(255,))  # fmt: skip
    pressure = MapMessage("PRESSURE", 0x320, False, 1, (oil,), senders=("ENGINE",))
    maps["host"] = replace(maps["host"], messages=(*maps["host"].messages, pressure))
    bridge = small_swap.bridge(head + LOOSE.replace("HOLD", hold))
    plan = compile_bridge(bridge, maps).plan
    assert loose_fields(plan) == {"host.PRESSURE.Oil"}
    whole = captures["donor"]
    rows = (whole.identifier != 0x291) | (whole.time_ns < whole.time_ns[0] + 1_500_000_000)
    bench = set_up(plan, {"donor": whole.select(rows), "host": captures["host"]})
    for one, right in ((plan, True), (mutations.without_fallback(plan, "host.PRESSURE"), False)):
        trace: Any = simulate(replace(bench, plan=one), partial(Translator, one)).device.trace
        contents = judge_trace(plan, Reference(bridge, maps, steps_of(plan), loose=loose_fields(plan)), trace)
        assert (contents.wrong == 0) == right, contents.first_problem()
        assert contents.tallies[1, 0x320].frames > 40
