"""Edges that a small slip in the compiler would move: each pinned by a number worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from swapbridge.compiler.compile import CompileResult
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.check import check_plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.reference.reference import Reference
from swapbridge.signalmap.signal_map import SignalMap
from tests.compiler.kit import DONOR, HOST, compile_text

TEXT = """
[bridge]
name = "edges"
step_ms = 10
[buses.donor]
bit_rate = 500000
placement = "added-node"
[buses.host]
bit_rate = 500000
placement = "added-node"
absent = ["ECM"]
{more}
[[messages]]
send = "host.EngineTorque"
rest = "zero"
[messages.signals]
{signals}
"""


def compiled(signals: str, more: str = "", donor: SignalMap = DONOR, host: SignalMap = HOST) -> CompileResult:
    return compile_text(TEXT.format(signals=signals, more=more), donor, host)


def with_signal(signal_map: SignalMap, message: str, name: str, **changes: object) -> SignalMap:
    """The same map with one signal changed."""
    messages = tuple(
        replace(m, signals=tuple(replace(s, **changes) if s.name == name else s for s in m.signals))  # type: ignore[arg-type]
        if m.name == message
        else m
        for m in signal_map.messages
    )
    return replace(signal_map, messages=messages)


SPEED = 'Pedal = "clamp(donor.PCM_FAST.RPM / 100 rpm * 1 %, 0 %, 100 %)"'
PEDAL = 'Pedal = "clamp(donor.PCM_FAST.Pedal, 0 %, 100 %)"'


@pytest.mark.parametrize(
    ("asked", "high", "kept"), [(3, 3, 2), (9, 3, 2), (1, 3, 1), (0, 3, 0), (3, 14, 3), (20, 14, 13)]
)
def test_lost_frames_borne_are_fewer_than_the_counters_cycle(asked: int, high: int, kept: int) -> None:
    """A counter of four values that may miss three frames would take any value for the right one."""
    donor = with_signal(DONOR, "PCM_FAST", "Cnt", counter=Counter(0, high), layout=Layout(48, 4))
    more = f'[sources."donor.PCM_FAST"]\nlost_ok = {asked}'
    (heard,) = [r for r in compiled(PEDAL, more, donor).plan.receives if r.counter is not None]
    assert heard.counter is not None
    assert heard.counter.lost_ok == kept


@pytest.mark.parametrize(
    ("ends", "raw"), [(("0", "100"), (0, 200)), (("0.3", "99.8"), (1, 199)), (("0.5", "99.5"), (1, 199))]
)
def test_a_declared_range_off_the_raw_grid_is_taken_inwards(ends: tuple[str, str], raw: tuple[int, int]) -> None:
    """Steps of 0.5 %: 0.3 % is no value of the signal, the least that may be sent is 0.5 %."""
    host = with_signal(HOST, "EngineTorque", "Pedal", minimum=Fraction(ends[0]), maximum=Fraction(ends[1]))
    with pytest.raises(SwapbridgeError, match="clamp"):
        compiled('Pedal = "donor.PCM_FAST.Pedal"', host=host)
    result = compiled(f'Pedal = "clamp(donor.PCM_FAST.Pedal, {raw[0] / 2} %, {raw[1] / 2} %)"', host=host)
    assert result.plan.sends
    if raw != (0, 200):
        with pytest.raises(SwapbridgeError):
            compiled(f'Pedal = "clamp(donor.PCM_FAST.Pedal, {raw[0] / 2 - 0.5} %, {raw[1] / 2} %)"', host=host)
        with pytest.raises(SwapbridgeError):
            compiled(f'Pedal = "clamp(donor.PCM_FAST.Pedal, {raw[0] / 2} %, {raw[1] / 2 + 0.5} %)"', host=host)


@pytest.mark.parametrize(("ends", "kept"), [(("0.3 %", "99.8 %"), 0), (("0.5 %", "99.5 %"), 0)])
def test_a_stated_range_off_the_raw_grid_is_taken_inwards(ends: tuple[str, str], kept: int) -> None:
    """What a source can really be: a raw value just outside is invalid, the next one inwards is not."""
    more = f'[sources."donor.PCM_FAST".signals.Pedal]\nrange = ["{ends[0]}", "{ends[1]}"]'
    (message,) = [m for m in DONOR.messages if m.name == "PCM_FAST"]
    pedal = message.signal("Pedal")
    assert pedal is not None
    plan = compiled(PEDAL, more).plan
    (extract,) = [e for feed in plan.feeds for e in feed.extracts if e.name.endswith("Pedal")]
    low, high = (Fraction(end.split()[0]) for end in ends)
    for raw in range(256):
        valid = not any(a <= raw <= b for a, b in extract.invalid)
        assert valid is (low <= pedal.physical(raw) <= high), raw


def test_a_validity_slot_must_be_able_to_say_both() -> None:
    """A plan whose validity slot holds only 1 would call every stale value fresh."""
    plan = compiled(SPEED).plan
    receive = next(
        n
        for n, r in enumerate(plan.receives)
        if any(e.valid_slot >= 0 for f in r.feeds for e in plan.feeds[f].extracts)
    )
    extract = next(e for f in plan.receives[receive].feeds for e in plan.feeds[f].extracts if e.valid_slot >= 0)
    for low, high in ((1, 1), (0, 0), (1, 5), (-3, 0)):
        slots = list(plan.slots)
        slots[extract.valid_slot] = replace(slots[extract.valid_slot], low=low, high=high, initial=low)
        with pytest.raises(SwapbridgeError, match="validity slot"):
            check_plan(replace(plan, slots=tuple(slots)))


@pytest.mark.parametrize("period_ms", [1, 10, 3_000, 13_000, 30_000, 119_000, 130_000, 600_000])
def test_compiler_and_reference_know_one_age_limit(period_ms: int) -> None:
    """Of a source every 30 s the reference once said 60 s, and the compiler 150."""
    slow = replace(DONOR, messages=tuple(replace(m, period_ms=Fraction(period_ms)) for m in DONOR.messages))
    text = TEXT.format(signals=SPEED, more="")
    plan = compile_text(text, donor=slow).plan
    (receive,) = plan.receives
    limit_ms = plan.feeds[receive.feeds[0]].max_age_us / 1000
    assert limit_ms == min(max(5 * period_ms, 50), 600_000)
    twin = Reference(parse_bridge(text), {"donor": slow, "host": HOST})
    assert twin.max_age_us(receive.bus, receive.word) == limit_ms * 1000


def test_the_else_of_a_quotient_does_not_lend_it_its_unit() -> None:
    """-1 times -5 degC is 5 degC, though the way out is written in degF (where -1 times 23 degF is -30.6 degC)."""
    signals = (
        'Pedal = "clamp((-1 * (host.Key.Ambient / donor.PCM_SLOW.Ratio else 50 degF)) / 1 degC * 1 %, 0 %, 100 %)"'
    )
    translator = Translator(compiled(signals).plan)
    translator.on_frame(1, 0x600, bytes([0, 70]), 0)
    translator.on_frame(0, 0x300, bytes([0, 0, 0, 0, 0, 0, 0, 1]), 0)
    frame = translator.poll(0)
    assert frame is not None
    assert frame.data[2] == 10, "5 degC over a ratio of 1, in steps of 0.5 %"
