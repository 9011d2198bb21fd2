"""Prove room: one curve for a needle, one edge for a flag of the pedal; where numbers end."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.language.expressions import parse
from swapbridge.proving.case import Track
from swapbridge.proving.judges.behaviour.same_curve import judge_same_curve
from swapbridge.proving.judges.maps.ends import judge_ends
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

TIMES = np.arange(0, 60, 0.1)
WARM_UP = np.clip(18 + 1.4 * TIMES, 0, 88)
INTAKE = 18 + 10 * (1 - np.exp(-TIMES / 20))
PEDAL = 50 - 50 * np.cos(TIMES)


def _track(signal: MapSignal, raw: Any) -> Track:
    return Track(TIMES, np.round(np.asarray(raw, float)).astype(np.int64), np.ones(len(TIMES), bool), signal)


def _made(name: str, bits: int, role: str, unit: str, old: Any, new: Any, rule: str = "donor.M.S") -> Any:
    signal = MapSignal(name, Layout(0, bits), unit=unit)
    return SimpleNamespace(
        bus=0, label=f"host.TEMPS.{name}", signal=signal, role=find_role(role) if role else None, is_open=False,
        safe_raw=None, sources=frozenset({("donor", "M", "S")}), tree=parse(rule, ()),
        message=SimpleNamespace(name="TEMPS", senders=("ENGINE",)), send=SimpleNamespace(once=0),
        old=_track(signal, old), new=_track(signal, new),
    )  # fmt: skip


def _judged(*made: Any, source_bits: int = 10) -> list[tuple[str, str]]:
    source = MapSignal("S", Layout(0, source_bits))
    case: Any = SimpleNamespace(
        names=["host", "donor"], made=made, track_of=lambda place: _track(source, PEDAL),
        bridge=SimpleNamespace(buses=[SimpleNamespace(holds_engine=False)], sources=(), units={}),
        recorded_track=lambda bus, message, signal: next(m.old for m in made if m.signal is signal),
        sent_track=lambda one: one.new,
    )  # fmt: skip
    return [(c.subject.rsplit(".", 1)[-1], c.status) for c in judge_same_curve(case)]


def _dial(coolant: Any) -> Any:
    return np.interp(coolant, [40, 70, 80], [0, 90, 100])


@pytest.mark.parametrize(("of", "status"), [(WARM_UP[::-1], "pass"), (INTAKE, "unproved")])
def test_a_needle_stays_on_the_old_senders_curve_of_coolant(of: Any, status: str) -> None:
    """Another drive cools down where the old one warmed up: the curve is the same."""
    coolant = _made("Coolant", 8, "coolant_temperature", "degC", WARM_UP, WARM_UP[::-1])
    assert _judged(coolant, _made("Dial", 8, "value", "", _dial(WARM_UP), _dial(of))) == [("Dial", status)]


def test_what_another_engine_may_do_otherwise_has_no_curve() -> None:
    """Oil goes on warming while the coolant's temperature rests; a temperature is a quantity anyway."""
    coolant = _made("Coolant", 8, "coolant_temperature", "degC", WARM_UP, WARM_UP)
    total = _made("Total", 8, "value", "", TIMES, TIMES / 2)
    oil = _made("Oil", 8, "oil_temperature", "degC", WARM_UP, WARM_UP + 20)
    assert _judged(coolant, total, oil) == []


@pytest.mark.parametrize(
    ("edge", "rule", "bits", "status"),
    [
        (95, "donor.M.S > 95", 10, "pass"),
        (80, "donor.M.S > 80", 10, "unproved"),
        (80, "donor.M.S", 1, "open"),
        (99, "donor.M.S > 99", 10, "unproved"),
    ],
)
def test_a_flag_of_the_pedal_keeps_its_edge(edge: int, rule: str, bits: int, status: str) -> None:
    """A number in the rule is a person's, and can be put right; the engine's own flag may have another edge."""
    pedal = _made("Pedal", 8, "pedal_position", "%", PEDAL, PEDAL[::-1])
    flag = _made("KickDown", 1, "kick_down", "", PEDAL > 94, PEDAL[::-1] > edge, rule)
    assert _judged(pedal, flag, source_bits=bits) == [("KickDown", status)]


@pytest.mark.parametrize(("safe", "status"), [(0, "pass"), (1, "open")])
def test_a_pedal_in_doubt_is_released(safe: int, status: str) -> None:
    pedal = _made("Pedal", 8, "pedal_position", "%", PEDAL, PEDAL)
    flag = _made("KickDown", 1, "kick_down", "", PEDAL > 94, PEDAL > 94)
    flag.safe_raw = safe
    assert _judged(pedal, flag)[-1] == ("KickDown", status)


def _ends(layout: Layout, number: Any, counter: Counter | None = None) -> list[tuple[str, str]]:
    """What is said of a number at bits 8 to 23, of which the map has `layout`."""
    payload = np.zeros((len(TIMES), 4), np.uint8)
    payload[:, 1:3] = np.asarray(number).astype("<u2").view(np.uint8).reshape(-1, 2)
    signal = MapSignal("Speed", layout, counter=counter)
    message = MapMessage("M", 0x100, False, 4, (signal,))
    frames = SimpleNamespace(payload=payload, length=np.full(len(TIMES), 4))
    sources = {("host", "M", "Speed")} if counter is None else set()
    made = SimpleNamespace(sources=sources, bus=0, message=message, signal=signal)
    case: Any = SimpleNamespace(
        names=["host"], made=[made], heard=[(0, message)], maps={"host": SignalMap((message,))},
        old=lambda bus, word: frames,
    )  # fmt: skip
    return [(c.name, c.status) for c in judge_ends(case)]


def test_a_number_has_all_its_lower_bits() -> None:
    """Of a number without its low byte, the byte below starts again with every step."""
    climbs = np.cumsum(np.random.default_rng(3).integers(0, 40, len(TIMES)))
    assert ("all of its bits", "unproved") in _ends(Layout(16, 8), climbs)
    assert _ends(Layout(8, 16), climbs) == [("how long", "open")]
    other = climbs // 256 * 256 + np.random.default_rng(4).integers(0, 256, len(TIMES))
    assert ("all of its bits", "unproved") not in _ends(Layout(16, 8), other)


def test_a_number_has_all_its_upper_bits() -> None:
    """Without its top bit it starts again exactly when that bit is set; a flag beside a number does otherwise."""
    speed = 2500 + 2000 * np.sin(TIMES)
    assert ("all of its bits", "unproved") in _ends(Layout(8, 11), speed)
    assert ("all of its bits", "unproved") not in _ends(Layout(8, 13), speed)
    beside = np.round(1000 + 900 * np.sin(TIMES)) + 2048 * (np.sin(3 * TIMES) > 0.5)
    assert ("all of its bits", "unproved") not in _ends(Layout(8, 11), beside)


@pytest.mark.parametrize(("bits", "cut"), [(3, True), (4, False)])
def test_a_counter_has_all_its_bits(bits: int, cut: bool) -> None:
    """Three of its four bits count as well, and let a frame pass that is eight too late."""
    found = _ends(Layout(8, bits), np.arange(len(TIMES)) % 16, Counter(0, 2**bits - 1))
    assert (("all of its bits", "unproved") in found) == cut


def test_a_number_that_moves_fast_has_all_its_lower_bits_too() -> None:
    """It hardly ever takes a step of one; but its own bit makes its steps even, and a stranger's does not."""
    speed = np.round(2000 + 1500 * np.sin(TIMES / 4)).astype(int)
    assert ("all of its bits", "unproved") in _ends(Layout(9, 15), speed)
    stranger = speed // 2 * 2 + np.random.default_rng(5).integers(0, 2, len(TIMES))
    assert ("all of its bits", "unproved") not in _ends(Layout(9, 15), stranger)
