"""Prove room: the plan beside the recordings: answers in doubt, roles, two engines, key off, holes."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.language.expressions import parse
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.case import Track
from swapbridge.proving.judges.behaviour import safe_answers
from swapbridge.proving.judges.behaviour.asleep import _after_key, _before_key, _before_start, _KeyOff
from swapbridge.proving.judges.behaviour.safe_answers import _one as answer_of
from swapbridge.proving.judges.behaviour.safe_answers import _rests as resting
from swapbridge.proving.judges.behaviour.safe_answers import _stated
from swapbridge.proving.judges.behaviour.slow_rules import judge_slow_rules
from swapbridge.proving.judges.maps.engines import Engine, _idle, _speeds, _torques
from swapbridge.proving.judges.maps.roles_match import _one as roles_of
from swapbridge.proving.judges.recordings.driving import BenchQuantity
from swapbridge.proving.judges.recordings.holes import _ran_at_both_ends, _silent_alone
from swapbridge.proving.verdict import Check
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

# --- safe answers

NUMBER = MapSignal(
    "S", Layout(0, 12), scale=Fraction(1, 2), offset=Fraction(-40), minimum=Fraction(-40), maximum=Fraction(2000)
)
INVALID = replace(NUMBER, not_available=(4095,))
RPM = replace(NUMBER, scale=Fraction(1), offset=Fraction(0), unit="rpm")
FLAG = MapSignal("S", Layout(0, 1))
ENGINE = MapSignal("S", Layout(0, 2), choices={0: "Stopped", 1: "Cranking", 2: "Running"})
PEDAL = MapSignal("S", Layout(0, 8), scale=Fraction(2, 5), minimum=Fraction(0), maximum=Fraction(100))
LEVER = MapSignal("S", Layout(0, 3), choices={0: "P", 3: "D"})


def _answer(
    alias: str, signal: MapSignal, raw: int, old: Any = None, hold_us: int | None = None, told: Any = (None, None)
) -> str:
    """Status of the check of a safe answer; "" where there is none. `told`: tracks of its source and of it."""
    made: Any = SimpleNamespace(
        safe_raw=raw, signal=signal, sources={("donor", "M", "S")}, role=find_role(alias),
        bus=0, message=SimpleNamespace(word=1), label="host.M.S", parent=SimpleNamespace(hold_us=hold_us),
        rule=SimpleNamespace(limits=None, hold_us=None),
    )  # fmt: skip
    said = np.asarray([] if old is None else old, np.int64)
    track = Track(np.arange(len(said)) / 10, said, np.ones(len(said), bool), signal) if old is not None else None
    case: Any = SimpleNamespace(
        recorded_track=lambda *_: track,
        track_of=lambda _: told[0],
        sent_track=lambda _: told[1],
        reference=SimpleNamespace(targets={(0, 1): SimpleNamespace(signals={})}),
        names=["host"], stimuli={}, bridge=SimpleNamespace(units={}),
        role_track=lambda *_: None if track is None else Track(track.time_s, 0 * said + 900, track.measured, RPM),
    )  # fmt: skip
    checks = list(answer_of(case, made, {(0, 1)} if made.role.hazard == "torque request" else set()))
    assert all(c.remedy for c in checks if c.status != "pass")
    return checks[0].status if checks else ""


@pytest.mark.parametrize(
    ("alias", "signal", "raw", "wrong"),
    [
        ("coolant_temperature", NUMBER, 4000, False),
        ("coolant_temperature", NUMBER, 100, True),
        ("coolant_temperature", INVALID, 4095, False),
        ("oil_pressure", NUMBER, 4000, True),
        ("oil_pressure", NUMBER, 0, False),
        ("oil_pressure_lamp", FLAG, 1, False),
        ("oil_pressure_lamp", FLAG, 0, True),
        ("pedal_position", PEDAL, 0, False),
        ("pedal_position", PEDAL, 10, False),
        ("pedal_position", PEDAL, 60, True),
        ("pedal_position", PEDAL, 250, True),
        ("kick_down", FLAG, 1, True),
        ("engine_running", ENGINE, 0, False),
        ("engine_running", ENGINE, 2, True),
        ("engine_running", ENGINE, 1, True),
        ("engine_running", FLAG, 1, True),
        ("engine_speed", NUMBER, 80, False),
        ("engine_speed", NUMBER, 1640, True),
        ("park_neutral", FLAG, 0, False),
        ("park_neutral", FLAG, 1, True),
        ("park_neutral", LEVER, 0, True),
        ("park_neutral", LEVER, 3, False),
        ("vehicle_speed", INVALID, 4095, False),
        ("vehicle_speed", INVALID, 80, True),
        ("vehicle_speed", NUMBER, 80, False),
    ],
)
def test_an_answer_in_doubt_is_on_the_safe_side_of_its_role(
    alias: str, signal: MapSignal, raw: int, wrong: bool
) -> None:
    assert _answer(alias, signal, raw) == ("fail" if wrong else "")


@pytest.mark.parametrize(
    ("alias", "signal", "raw", "status"),
    [("ambient_temperature", INVALID, 116, "open"), ("ambient_temperature", INVALID, 4095, ""),
     ("fuel_level", INVALID, 116, "open"), ("ambient_temperature", NUMBER, 116, "")],
)  # fmt: skip
def test_a_number_in_doubt_where_the_layout_can_say_that_it_is_not_known(
    alias: str, signal: MapSignal, raw: int, status: str
) -> None:
    assert _answer(alias, signal, raw) == status


@pytest.mark.parametrize(("raw", "status"), [(4000, "pass"), (3990, "pass"), (80, "fail")])
def test_a_request_in_doubt_says_what_was_said_when_nothing_was_asked(raw: int, status: str) -> None:
    assert _answer("torque_reduction_request", NUMBER, raw, [4000] * 80 + [900] * 20) == status


@pytest.mark.parametrize(("rests", "status"), [(4000, ["pass"]), (3990, ["pass"]), (3600, ["unproved"]), (None, [])])
def test_a_live_request_rests_where_the_old_one_rested(rests: int | None, status: list[str]) -> None:
    """A source with a scale a tenth too large is told by it, even where no request was ever as deep."""
    raw = np.arange(100) if rests is None else np.r_[np.full(80, rests), np.arange(20)]
    made: Any = SimpleNamespace(label="host.M.S", signal=NUMBER)
    case: Any = SimpleNamespace(sent_track=lambda _: Track(np.arange(100) / 10, raw, np.ones(100, bool), NUMBER))
    assert [c.status for c in resting(case, made, 4000)] == status


@pytest.mark.parametrize(
    ("alias", "hold_us", "status"),
    [("engine_speed", 200_000, ""), ("engine_speed", 30_000_000, "fail"), ("engine_speed", -1, "fail"),
     ("fuel_used", 60_000_000, ""), ("oil_pressure", 1_500_000, ""), ("oil_pressure", 20_000_000, "fail"),
     ("coolant_temperature", -1, "fail"), ("actual_torque", 300_000, ""), ("actual_torque", 2_000_000, "unproved"),
     ("actual_torque", 3_000_000, "fail")],
)  # fmt: skip
def test_what_moves_fast_is_not_held_for_long(alias: str, hold_us: int, status: str) -> None:
    high = alias in ("actual_torque", "coolant_temperature")
    assert _answer(alias, NUMBER, 4000 if high else 80, hold_us=hold_us) == status


@pytest.mark.parametrize(("raw", "status"), [(0, ""), (1, ""), (15, ""), (3, "fail"), (5, "fail")])
def test_a_gear_in_doubt_is_one_in_which_the_vehicle_stands(raw: int, status: str) -> None:
    """A hundredth of its standing is in third, on the last metre before it stops: less than counts."""
    gear = MapSignal("S", Layout(0, 4), not_available=(15,))
    standing = [0] * 60 + [1] * 39 + [3]
    old = [*standing, *standing, *[3] * 50, *[5] * 50]
    speed = BenchQuantity(np.arange(300) / 10, np.repeat([0.0, 60.0], [200, 100]), np.ones(300, bool))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(safe_answers, "vehicle_speed", lambda case, bus: speed)
        assert _answer("current_gear", gear, raw, old) == status


@pytest.mark.parametrize(
    ("alias", "raw", "status"),
    [("oil_pressure", 1000, "fail"), ("oil_pressure", 300, ""), ("coolant_temperature", 2700, "fail"),
     ("coolant_temperature", 3800, "")],
)  # fmt: skip
def test_an_answer_in_doubt_is_none_that_a_sound_engine_gives(alias: str, raw: int, status: str) -> None:
    """On the right side of its range, and yet what the old sender said with its engine running."""
    usual = np.linspace(600, 1400, 100) if alias == "oil_pressure" else np.linspace(2500, 3600, 100)
    assert _answer(alias, NUMBER, raw, usual) == status


@pytest.mark.parametrize(
    ("source", "rises", "raw", "wrong"),
    [
        ("coolant_temperature", True, 250, False),
        ("coolant_temperature", True, 120, True),
        ("coolant_temperature", True, 0, True),
        ("coolant_temperature", False, 0, False),
        ("coolant_temperature", False, 250, True),
        ("oil_pressure", True, 250, True),
        ("oil_pressure", True, 0, False),
        ("manifold_pressure", True, 0, False),
        ("value", True, 120, False),
    ],
)
def test_a_needle_in_doubt_stands_where_its_quantity_does_in_doubt(
    source: str, rises: bool, raw: int, wrong: bool
) -> None:
    """At the hot end of a gauge of temperature, whichever way it turns, and at the low end of one of oil pressure."""
    t, all_of_it = np.arange(100) / 10, np.ones(100, bool)
    heard = MapSignal("S", Layout(0, 8), role=find_role(source).name)
    needle = np.arange(100) if rises else 200 - np.arange(100)
    told = Track(t, np.arange(100) + 40, all_of_it, heard), Track(t, needle, all_of_it, PEDAL)
    assert _answer("value", PEDAL, raw, told=told) == ("fail" if wrong else "")


def test_nobody_cranks_in_doubt() -> None:
    key = MapSignal("S", Layout(0, 2), choices={0: "Off", 1: "On", 2: "Crank"})
    assert [_answer("key_state", key, raw) for raw in (0, 1, 2)] == ["", "", "fail"]


@pytest.mark.parametrize(
    ("role", "fallback", "listed"),
    [("", None, True), ("status", "0", True), ("brake_switch", "1", False), ("fuel_used", "0", True)],
)
def test_what_a_person_states_for_a_lost_source_is_listed(role: str, fallback: str | None, listed: bool) -> None:
    """A role tells what is safe; one of a total says that it stands still, so that a number is a person's word."""
    assert [said.startswith("M.S off (0): ") for said in _listed(role, fallback, None)] == [True] * listed


@pytest.mark.parametrize(("hold_us", "words"), [(2_000_000, ""), (30_000_000, " after 30 s"), (-1, " never")])
def test_what_is_held_for_long_is_listed_with_it(hold_us: int, words: str) -> None:
    """A flag without a role that goes on for half a minute: no role tells how long is safe."""
    assert [said.partition(": ")[0] for said in _listed("status", "0", hold_us)] == [f"M.S off (0){words}"]


def _listed(role: str, fallback: str | None, hold_us: int | None) -> list[str]:
    made = SimpleNamespace(
        bus=0, sources={("donor", "M", "S")}, safe_raw=0, is_open=False, role=find_role(role) if role else None,
        label="host.M.S", signal=MapSignal("S", Layout(0, 1)), parent=SimpleNamespace(hold_us=None),
        rule=SimpleNamespace(fallback=fallback, hold_us=hold_us),
    )  # fmt: skip
    case: Any = SimpleNamespace(names=["host"], made=[made])
    return [c.measured for c in _stated(case)]


# --- roles


def _roles(target: str, source: str, others: tuple[str, ...] = (), *, sent: bool = False, bits: int = 8) -> str:
    names = ["" if r == "" else find_role(r).name for r in (source, *others)]
    signals = [MapSignal(f"S{n}", Layout(16 * n, 16), role=role) for n, role in enumerate(names)]
    message = MapMessage("M", 0x100, False, 8, tuple(signals))
    made: Any = SimpleNamespace(
        role=find_role(target), sources={("donor", "M", "S0")}, label="host.X.Y", signal=MapSignal("Y", Layout(0, bits))
    )
    sends = [SimpleNamespace(bus=0, word=message.word)] if sent else []
    case: Any = SimpleNamespace(
        maps={"donor": SignalMap((message,), ())}, names=["donor"], plan=SimpleNamespace(sends=sends),
        recorded_track=lambda *_: "frames", bridge=SimpleNamespace(buses=()),
        track_of=lambda *_: None, sent_track=lambda *_: None,
    )  # fmt: skip
    checks = list(roles_of(case, made))
    return checks[0].status if checks else ""


@pytest.mark.parametrize(("holds_engine", "found"), [(True, ["unproved"]), (False, [])])
def test_what_the_engine_does_is_said_on_its_own_bus(holds_engine: bool, found: list[str]) -> None:
    """An oil temperature made from something without a role on the other bus, such as a gearbox's."""
    gearbox = MapMessage("G", 0x1A0, False, 8, (MapSignal("Oil", Layout(0, 8)),))
    engine = MapMessage("E", 0x291, False, 8, (MapSignal("Oil", Layout(0, 8), role=find_role("oil_temperature").name),))
    made: Any = SimpleNamespace(
        role=find_role("oil_temperature"), sources={("host", "G", "Oil")}, label="host.X.Y",
        signal=MapSignal("Y", Layout(0, 8)),
    )  # fmt: skip
    case: Any = SimpleNamespace(
        maps={"host": SignalMap((gearbox,), ()), "donor": SignalMap((engine,), ())}, names=["host", "donor"],
        plan=SimpleNamespace(sends=[]), recorded_track=lambda *_: "frames",
        bridge=SimpleNamespace(buses=[SimpleNamespace(name="donor", holds_engine=holds_engine)]),
    )  # fmt: skip
    assert [c.status for c in roles_of(case, made)] == found


@pytest.mark.parametrize(
    ("target", "source", "others", "status"),
    [
        ("coolant_temperature", "coolant_temperature", (), "pass"),
        ("coolant_temperature", "oil_temperature", ("coolant_temperature",), "fail"),
        ("coolant_temperature", "oil_temperature", (), "open"),
        ("vehicle_speed", "wheel_speed", (), "pass"),
        ("status", "oil_temperature", (), ""),
        ("kick_down", "pedal_position", (), ""),
        ("kick_down", "pedal_position", ("kick_down",), "open"),
        ("manifold_pressure", "", (), ""),
        ("manifold_pressure", "", ("manifold_pressure",), "unproved"),
        ("manifold_pressure", "value", ("manifold_pressure",), "unproved"),
        ("engine_load", "air_flow", ("engine_load",), ""),
    ],
)
def test_a_role_is_made_from_its_like(target: str, source: str, others: tuple[str, ...], status: str) -> None:
    """The last is computed from another quantity, which a number may be; from what has no role, nobody knows."""
    assert _roles(target, source, others) == status


@pytest.mark.parametrize(("bits", "status"), [(8, "unproved"), (1, "open")])
def test_a_number_without_a_quantity_is_no_flag(bits: int, status: str) -> None:
    """An electrical load from the blower: nobody knows what the source is, and a message says the load itself."""
    assert _roles("electrical_load", "", ("electrical_load",), bits=bits) == status


def test_what_the_plan_sends_itself_is_no_better_source() -> None:
    assert _roles("coolant_temperature", "oil_temperature", ("coolant_temperature",), sent=True) == "open"


# --- two engines and a gearbox


def _one(checks: Any) -> str:
    found: list[Check] = list(checks)
    return found[0].status if found else ""


@pytest.mark.parametrize(
    ("shift", "top", "redline", "status"),
    [
        (4200, 4500, None, "pass"),
        (6500, 4500, None, "unproved"),
        (6500, 4500, 7000, "pass"),
        (6500, 4500, 6000, "fail"),
        (None, 4500, None, ""),
    ],
)
def test_a_gearbox_shifts_below_the_new_engines_end(
    shift: float | None, top: float, redline: float | None, status: str
) -> None:
    assert _one(_speeds(Engine(top, 700, 300, redline), shift)) == status


@pytest.mark.parametrize(
    ("most", "old", "new", "status"),
    [(500, 250, 450, "pass"), (400, 250, 450, "fail"), (None, 250, 450, "open"), (None, 440, 450, "")],
)
def test_a_gearbox_bears_the_new_engines_torque(most: float | None, old: float, new: float, status: str) -> None:
    case: Any = SimpleNamespace(made=[], bridge=SimpleNamespace())
    assert _one(_torques(case, 0, Engine(5000, 700, old, None), Engine(5000, 700, new, None), most)) == status


def test_another_idle_speed_is_a_habit() -> None:
    old = Engine(5000, 650, 250, None)
    assert _one(_idle(old, replace(old, idle_rpm=900.0))) == "pass"
    assert _one(_idle(old, replace(old, idle_rpm=1200.0))) == "habit"
    assert _one(_idle(old, replace(old, idle_rpm=None))) == ""


# --- with the key off


SEND: Any = SimpleNamespace(name="host.M", period_us=100_000, bus=0)
KEY = _KeyOff(waiting=[(0.0, 2.0)], standing=[(2.0, 4.0)], gone=[(10.0, 25.0)], others_s=np.arange(0, 12.5, 0.05))
CASE: Any = SimpleNamespace(plan=SimpleNamespace(buses=[SimpleNamespace(silent_us=3_000_000)]))


def _sent(begin_s: float, end_s: float) -> Frames:
    times = np.arange(begin_s, end_s, 0.1)
    return Frames((times * 1e9).astype(np.int64), np.full(len(times), 8, np.uint8), np.zeros((len(times), 8), np.uint8))


@pytest.mark.parametrize(
    ("old", "new", "status"), [(2.2, 2.3, "pass"), (2.2, 0.1, "fail"), (0.1, 2.2, "open"), (0.1, 0.1, "pass")]
)
def test_before_the_key_who_spoke_speaks_and_who_was_silent_is_silent(old: float, new: float, status: str) -> None:
    assert _one(_before_key(SEND, _sent(old, 11), _sent(new, 11), KEY, KEY)) == status


@pytest.mark.parametrize(("old", "new", "status"), [(2.5, 2.5, "pass"), (2.5, 4.5, "fail"), (4.5, 2.5, "pass")])
def test_before_the_engine_turns_who_spoke_speaks(old: float, new: float, status: str) -> None:
    assert _one(_before_start(SEND, _sent(old, 11), _sent(new, 11), KEY, KEY)) == status


@pytest.mark.parametrize(
    ("old", "new", "status"),
    [
        (11.2, 10.1, "open"),  # stops with the key
        (11.2, 11.0, "pass"),  # stops by itself, as it did
        (11.2, 12.4, "pass"),
        (11.2, 17.0, "fail"),  # keeps the bus awake
        (12.5, 15.4, "pass"),  # spoke as long as anybody did, and waits until all sleep
        (12.5, 24.0, "fail"),
    ],
)
def test_after_the_key_nobody_goes_on_for_long(old: float, new: float, status: str) -> None:
    assert _one(_after_key(CASE, SEND, _sent(3, old), _sent(3, new), KEY, KEY)) == status


# --- holes


def test_an_engine_that_runs_at_both_ends_of_a_gap_was_never_off() -> None:
    times = np.r_[np.arange(0, 10, 0.1), np.arange(30, 40, 0.1)]
    runs = Track(times, np.full(len(times), 800), np.ones(len(times), bool), replace(FLAG, unit="rpm"))
    assert _ran_at_both_ends(runs, 9.9, 30.0)
    started = replace(runs, raw=np.where(times < 10, 800, np.where(times < 31, 0, 800)))
    assert not _ran_at_both_ends(started, 9.9, 30.0), "it was off meanwhile"


def test_a_message_that_pauses_while_its_neighbour_speaks_on_has_a_hole() -> None:
    neighbour = np.r_[np.zeros(4, bool), np.ones(60, bool), np.zeros(10, bool), np.ones(20, bool)]
    mine = neighbour.copy()
    assert not _silent_alone(mine, [neighbour]).any(), "both sleep at the same time"
    mine[20:40] = False
    assert _silent_alone(mine, [neighbour]).sum() == 20
    late = neighbour.copy()
    late[4:10] = False
    assert not _silent_alone(late, [neighbour]).any(), "it begins later"


# --- rules that wait


@pytest.mark.parametrize(
    ("rule", "role", "status"),
    [
        ("debounce(host.B.Brake, 0.3 s)", "brake_switch", "unproved"),
        ("debounce(host.B.Brake, 20 ms, 100 ms)", "brake_switch", "pass"),
        ("delay(debounce(host.B.Brake, 0.15 s), 150 ms)", "brake_switch", "unproved"),
        ("debounce(host.B.Key, 0.3 s)", "key_state", ""),
        ("delay(host.B.Fuel, 1 s)", "fuel_level", ""),
        ("not host.B.Brake", "brake_switch", ""),
    ],
)
def test_what_moves_fast_does_not_wait_on_purpose(rule: str, role: str, status: str) -> None:
    made: Any = SimpleNamespace(
        role=find_role(role), tree=parse(rule, ("s", "ms")), bus=0, message=SimpleNamespace(word=1), label="donor.M.S"
    )
    case: Any = SimpleNamespace(made=[made], bridge=SimpleNamespace(units={}))
    assert next((c.status for c in judge_slow_rules(case)), "") == status


def test_a_request_and_its_flag_wait_for_two_frames_at_most() -> None:
    asks, flag = (
        SimpleNamespace(role=role, tree=parse(rule, ("s", "ms")), bus=0, message=SimpleNamespace(word=1), label=rule)
        for role, rule in (
            (find_role("torque_reduction_request"), "host.R.Torque"),
            (find_role("status"), "delay(host.R.Active, 50 ms)"),
        )
    )  # fmt: skip
    case: Any = SimpleNamespace(made=[asks, flag], bridge=SimpleNamespace(units={}))
    assert [c.status for c in judge_slow_rules(case)] == ["unproved"]
