"""Prove room: what recordings contradict in a map: temperatures, torques, signs, steps, likeness with a stimulus."""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.stimulus import Channel
from swapbridge.core.layout import Layout
from swapbridge.language.bridge_file import Written
from swapbridge.language.constants import parse_written
from swapbridge.proving.case import Track
from swapbridge.proving.judges.maps.by_stimulus import filter_s, lateness, smoothed
from swapbridge.proving.judges.maps.cold_soak import judge_cold_soak
from swapbridge.proving.judges.maps.engine_sense import (
    _friction,
    _fuel_goes_on,
    _headlamps,
    _idle_fuel,
    _lamps,
    _oil,
    _reference,
    _throttle,
    _work,
)
from swapbridge.proving.judges.maps.leads import judge_leads
from swapbridge.proving.judges.maps.likeness import beside, switched
from swapbridge.proving.judges.maps.pedal_travel import judge_pedal_travel
from swapbridge.proving.judges.maps.plausible import _jumps, _one, _reached, _together, _wraps
from swapbridge.proving.judges.maps.roles_match import _often_alone
from swapbridge.proving.judges.maps.signs import _scale, range_fits
from swapbridge.proving.judges.recordings.driving import BenchQuantity, engine_speed, whole_starts
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapSignal
from tests.proving import small_swap
from tests.proving.one_bus import OneBus

T = np.arange(0, 30, 0.02)
RPM = np.where(T < 5, 0.0, 800 + 700 * np.abs(np.sin(T)))


def _said(checks: Any) -> dict[str, str]:
    found: list[Check] = list(checks)
    assert all(c.remedy for c in found if c.status != "pass")
    return {c.subject.rsplit(".", 1)[-1]: c.status for c in found}


# --- temperatures before a cold start


def _temperatures(**celsius: float) -> dict[str, str]:
    case: Any = OneBus().says("engine_speed", T, RPM, "rpm")
    for alias, value in celsius.items():
        case.says(alias, T, np.full(len(T), value), "degC", name=alias.split("_")[0])
    return _said(judge_cold_soak(case))


@pytest.mark.parametrize("air", [{"ambient_temperature": 3.0}, {"ambient_temperature": 3.0, "intake_temperature": 5.0}])
def test_sensors_that_rested_together_read_alike(air: dict[str, float]) -> None:
    found = _temperatures(coolant_temperature=3.0, oil_temperature=4.0, **air)
    assert set(found.values()) == {"pass"}


def test_an_oil_temperature_with_another_offset_shows_before_a_cold_start() -> None:
    found = _temperatures(coolant_temperature=18.0, oil_temperature=28.0, ambient_temperature=18.0)
    assert found["oil"] == "fail"
    assert found.get("coolant", "pass") == "pass", "the odd one is named, not those that agree"


def test_air_far_hotter_than_the_engine_is_another_offset() -> None:
    assert _temperatures(coolant_temperature=18.0, oil_temperature=18.0, ambient_temperature=58.0)["ambient"] == "fail"


def test_colder_air_beside_a_lukewarm_engine_may_be_true() -> None:
    """After two hours engine and oil are warmer than the air: not wrong, and not shown to be right."""
    assert _temperatures(coolant_temperature=38.0, oil_temperature=34.0, ambient_temperature=8.0)["ambient"] == "open"
    assert _temperatures(coolant_temperature=38.0, ambient_temperature=8.0, intake_temperature=9.0)["ambient"] == "open"


def test_parts_that_still_cool_are_not_alike() -> None:
    """Each cools at its own pace; parts that are quite alike have rested, and then air of another warmth is odd."""
    found = _temperatures(coolant_temperature=18.0, oil_temperature=18.0, ambient_temperature=-11.0)
    assert found["ambient"] == "unproved"


def test_two_sensors_in_the_air_that_agree_say_that_it_is_winter() -> None:
    """An engine that was kept warm, or driven a few hours ago, says nothing against both of them."""
    found = _temperatures(
        coolant_temperature=18.0, oil_temperature=18.0, ambient_temperature=-11.0, intake_temperature=-9.0
    )
    assert found["ambient"] == found["intake"] == "open"
    assert set(_temperatures(coolant_temperature=-12.0, oil_temperature=-11.0, ambient_temperature=-14.0).values()) == {
        "pass"
    }


def test_air_that_a_scan_tool_read_as_well_needs_no_other_witness() -> None:
    case: Any = OneBus().says("engine_speed", T, RPM, "rpm")
    for alias, value in {"coolant_temperature": 18.0, "oil_temperature": 18.0, "ambient_temperature": -11.0}.items():
        case.says(alias, T, np.full(len(T), value), "degC", name=alias.split("_")[0])
    label = f"bus.{case.messages[-1].name}.ambient"
    case.checks = [check_of("maps", label, "says ambient temp as recorded", True, "", "", "")]
    assert "ambient" not in _said(judge_cold_soak(case))


# --- a pedal's travel


@pytest.mark.parametrize(
    ("low", "high", "status"),
    [(0.0, 100.0, "pass"), (0.0, 92.0, "unproved"), (0.0, 40.0, "unproved"), (8.0, 100.0, "unproved")],
)
def test_a_pedal_that_nothing_measured_goes_from_released_to_floored(low: float, high: float, status: str) -> None:
    pedal = low + (high - low) * np.abs(np.sin(T))
    case: Any = OneBus().says("pedal_position", T, pedal, "%", name="pedal")
    case.made = [SimpleNamespace(sources={("bus", "M100", "pedal")}, bus=0, message=case.messages[0], signal=None)]
    case.made[0].signal = case.messages[0].signals[0]
    assert _said(judge_pedal_travel(case)) == {"pedal": status}
    assert judge_pedal_travel(case.beside("pedal", T[::20], pedal[::20], "%")) == []


# --- fuel goes on


@pytest.mark.parametrize(("until_s", "found"), [(99.0, "pass"), (12.0, "unproved")])
def test_a_total_of_fuel_goes_on_while_the_engine_runs(until_s: float, found: str) -> None:
    case: Any = OneBus().says("engine_speed", T, np.where(T < 5, 0.0, 900.0), "rpm")
    case.says("pedal_position", T, 0 * T, "%").says("fuel_used", T, np.clip(T, 5, until_s) * 0.5, "mL", name="fuel")
    speed = engine_speed(case, 0)
    assert speed is not None
    assert _said(_fuel_goes_on(case, 0, speed))["fuel"] == found


@pytest.mark.parametrize(
    ("kj_a_ml", "found"), [(5.0, "unproved"), (8.0, "pass"), (16.0, "pass"), (25.0, "fail"), (2000.0, "fail")]
)
def test_fuel_is_enough_for_the_work_that_was_done(kj_a_ml: float, found: str) -> None:
    """200 Nm at 2,000 rpm are 41.9 kW by hand; 6.4 to 18 kJ of them come out of a millilitre."""
    case: Any = OneBus().says("engine_speed", T, np.where(T < 5, 0.0, 2000.0), "rpm")
    case.says("actual_torque", T, np.where(T < 5, 0.0, 200.0), "Nm")
    case.says("fuel_used", T, np.maximum(T - 5, 0) * 41.9 / kj_a_ml, "mL", name="fuel", scale=Fraction(1, 1000))
    speed = engine_speed(case, 0)
    assert speed is not None
    assert {c.status for c in _work(case, 0, speed)} - {"pass"} == {found} - {"pass"}


@pytest.mark.parametrize(
    ("code", "walks", "found"), [(0, True, 0), (180, True, 180), (255, True, None), (255, False, None)]
)
def test_a_code_that_says_invalid_stands_apart_from_what_is_measured(code: int, walks: bool, found: int | None) -> None:
    """A value that goes to 0 and past 180 step by step says them; 255 between values of 100 says nothing."""
    raw = np.rint(110 - 110 * np.cos(T)).astype(np.int64) if walks else np.where(T % 5 < 1, 255, 100)
    signal = MapSignal("S", Layout(0, 8), not_available=(code,))
    assert _reached(Track(T, raw, raw != code, signal)) == found


# --- a start


@pytest.mark.parametrize(
    ("gone", "found"), [((0.0, 0.0), (1, 1)), ((5.0, 6.0), (1, 0)), ((5.4, 5.7), (1, 0)), ((0.0, 5.5), (0, 0))]
)
def test_a_start_is_whole_from_standing_still_until_the_engine_runs(
    gone: tuple[float, float], found: tuple[int, int]
) -> None:
    """The run-down at the end is none, and neither is a start whose cranking nobody recorded."""
    rpm = np.interp(T, [5, 5.2, 6, 6.3, 20, 21], [0, 250, 250, 800, 800, 0])
    kept = (gone[0] > T) | (gone[1] <= T)
    speed = BenchQuantity(T[kept], rpm[kept], np.ones(int(kept.sum()), bool))
    assert whole_starts(speed, 0.1) == found


# --- a switch that comes late


@pytest.mark.parametrize(("lag_s", "late"), [(0.1, 0.1), (1.0, 1.0), (-0.2, -0.2)])
def test_how_late_a_flag_follows_its_switch(lag_s: float, late: float) -> None:
    turns = np.arange(2.0, 30.0, 4.0)
    times = np.concatenate([[0.0], turns]).astype(np.float64)
    channel = Channel("brake", times, (np.arange(len(times)) % 2).astype(np.float64), "")
    raw = channel.value[np.maximum(np.searchsorted(channel.time_s, T - lag_s, "right") - 1, 0)].astype(np.int64)
    flag = Track(T, raw, np.ones(len(T), bool), MapSignal("Brake", Layout(0, 1)))
    assert lateness(channel, flag, {0.0: 0, 1.0: 1}) == pytest.approx(late, abs=0.03)


@pytest.mark.parametrize(("shift_s", "alone"), [(0.0, False), (0.2, False), (2.0, True)])
def test_two_flags_that_mean_the_same_are_set_together(shift_s: float, alone: bool) -> None:
    one, other = (BenchQuantity(T, (np.sin(T - s) > 0.5).astype(float), np.ones(len(T), bool)) for s in (0.0, shift_s))
    assert _often_alone(one, other) is alone


@pytest.mark.parametrize("oil", [55.0, 96.0])
def test_a_warm_engine_tells_nothing(oil: float) -> None:
    assert _temperatures(coolant_temperature=82.0, oil_temperature=oil, ambient_temperature=18.0) == {}


def test_a_recording_that_begins_with_the_engine_running_tells_nothing() -> None:
    case: Any = OneBus().says("engine_speed", T, RPM + 800, "rpm").says("coolant_temperature", T, 0 * T + 18, "degC")
    case.says("oil_temperature", T, 0 * T + 60, "degC").says("ambient_temperature", T, 0 * T + 18, "degC")
    assert judge_cold_soak(case) == []


# --- an engine answers what was asked


def _torques(lag_s: float) -> str | None:
    asked = 100 + 80 * np.sin(T * 1.7) + 40 * np.sin(T * 5)
    made = 100 + 80 * np.sin((T - lag_s) * 1.7) + 40 * np.sin((T - lag_s) * 5)
    case: Any = OneBus().says("requested_torque", T, asked, "Nm").says("actual_torque", T, made, "Nm")
    return _said(judge_leads(case)).get("Requested_Torque")


@pytest.mark.parametrize(("lag_s", "status"), [(0.09, "pass"), (0.0, "pass"), (-0.02, "pass"), (-0.09, "fail")])
def test_what_is_asked_comes_before_what_is_made(lag_s: float, status: str) -> None:
    assert _torques(lag_s) == status


def test_torques_that_have_little_in_common_are_not_compared() -> None:
    case: Any = OneBus().says("requested_torque", T, 50 * np.sin(T * 3), "Nm")
    assert judge_leads(case.says("actual_torque", T, 50 * np.sin(T * 0.7), "Nm")) == []


# --- signs that no recording tells


@pytest.mark.parametrize(
    ("signed", "low", "high", "fits"),
    [
        (False, -60, 144, True),
        (True, -60, 144, False),
        (True, -160, 42, True),
        (False, -160, 42, False),
        (True, -60, 40, True),
        (False, -60, 40, True),
        (False, None, None, None),
        (False, -900, 900, True),
    ],
)
def test_a_range_is_that_of_a_sign(signed: bool, low: int | None, high: int | None, fits: bool | None) -> None:
    """11 bits of 0.1 from -60: unsigned -60 to 144.7, signed -162.4 to 42.3; a range beyond both accuses neither."""
    bottom, top = (None if end is None else Fraction(end) for end in (low, high))
    layout, tenth = Layout(0, 11, signed=signed), Fraction(1, 10)
    signal = MapSignal("Loss", layout, scale=tenth, offset=Fraction(-60), minimum=bottom, maximum=top)
    assert range_fits(signal) is fits


# --- scales that no recording tells


@pytest.mark.parametrize(
    ("scale", "offset", "low", "high", "status"),
    [
        ("1", -40, -40, 214, "pass"),
        ("0.5", -40, -40, 214, "unproved"),
        ("0.5", -40, -40, 87, "pass"),
        ("2", -40, -40, 214, "pass"),
        ("0.5", 0, 0, 255, "pass"),
        ("1", -40, None, None, "pass"),
        ("0.5", 10, 0, 100, "unproved"),
        ("0.39", 0, 0, 100, "pass"),
        ("0.4", 3, 0, 100, "unproved"),
    ],
)
def test_a_range_that_its_bits_cannot_say_is_of_another_scale_or_offset(
    scale: str, offset: int, low: int | None, high: int | None, status: str
) -> None:
    """Eight bits; the fifth range is that of raw numbers, as many maps have it; the last scale but one is rounded."""
    bottom, top = (None if end is None else Fraction(end) for end in (low, high))
    air = MapSignal("Air", Layout(0, 8), Fraction(scale), Fraction(offset), minimum=bottom, maximum=top)
    case: Any = OneBus()
    case.checks = []
    assert [c.status for c in _scale(case, "bus.M.Air", air)] == [status] * (status != "pass")
    case.checks = [Check("maps", "bus.M.Air", "says ambient temp as recorded", "pass", "", "", "")]
    assert not list(_scale(case, "bus.M.Air", air)), "what was measured beside it knows better"


@pytest.mark.parametrize(
    ("whole", "most", "rpm", "measured", "status"),
    [
        (280, 275, 3000, False, "pass"),
        (480, 300, 3000, True, "open"),
        (480, 300, 3000, False, "unproved"),
        (140, 275, 3000, True, "fail"),
        (560, 275, 3000, True, "unproved"),
        (560, 275, 900, False, "open"),
    ],
)
def test_a_reference_torque_is_about_what_the_engine_makes(
    whole: float, most: float, rpm: float, measured: bool, status: str
) -> None:
    """At idle an engine may say much less than its most; below the reference by far it can't be at any speed.

    A torque that nothing measured has only this witness and its fuel.
    """
    case: Any = (
        OneBus().says("reference_torque", T[:3], 0 * T[:3] + whole, "Nm").says("engine_speed", T, 0 * T + rpm, "rpm")
    )
    case.says("maximum_torque", T, 0 * T + most, "Nm").says("actual_torque", T, 0 * T + 0.9 * most, "Nm")
    if measured:
        case.beside("actual_torque", T, 0 * T + 0.9 * most, "Nm")
    speed = engine_speed(case, 0)
    assert speed is not None
    assert _said(_reference(case, 0, speed))["Reference_Torque"] == status


def test_an_actual_torque_alone_says_only_that_a_reference_is_too_low() -> None:
    for whole, status in ((900, "pass"), (100, "fail")):
        case: Any = OneBus().says("reference_torque", T[:3], 0 * T[:3] + whole, "Nm")
        case.says("actual_torque", T, 0 * T + 200, "Nm").says("engine_speed", T, 0 * T + 3000, "rpm")
        speed = engine_speed(case, 0)
        assert speed is not None
        assert _said(_reference(case, 0, speed))["Reference_Torque"] == status


@pytest.mark.parametrize(("said", "status"), [(280, "pass"), (6145, "fail")])
def test_a_greeting_sent_three_times_is_judged_as_well(said: int, status: str) -> None:
    """6,145 is 280 with its two bytes turned."""
    whole: dict[str, Any] = {"scale": Fraction(1), "offset": Fraction(0)}
    case: Any = OneBus().says("reference_torque", T[:3], 0 * T[:3] + said, "Nm", **whole)
    (message,) = case.messages
    (signal,) = message.signals
    track = case.recorded_track(0, message, signal)
    assert [c.status for c in _one(case, 0, message, signal, track)] == [status]


@pytest.mark.parametrize(("amps", "status"), [(4.0, "pass"), (22.0, "pass"), (44.0, "fail")])
def test_headlamps_take_no_more_than_lamps_do(amps: float, status: str) -> None:
    on = (T % 10) >= 5
    case: Any = OneBus().says("electrical_load", T, 18 + amps * on + (T > 12), "A")
    case.beside("headlamps", [0, 5, 10, 15, 20, 25], [0, 1, 0, 1, 0, 1], "")
    assert _said(_headlamps(case, 0))["Electrical_Load"] == status


# --- what no vehicle does


def test_a_field_cut_wrongly_jumps() -> None:
    raw = (2000 + 1500 * np.sin(T)).astype(np.int64)
    assert not list(_jumps(raw))
    assert list(_jumps((raw * 256) % 4096)), "the lower bits of the one and the upper bits of the other"


def test_a_bit_short_at_the_top_wraps() -> None:
    values = (1000 + 400 * np.sin(T * 3)).astype(np.int64)
    for bits, wraps in ((11, False), (10, True)):
        signal = MapSignal("Torque", Layout(0, bits))
        found = list(_wraps(Track(T, values % (1 << bits), np.ones(len(T), bool), signal)))
        assert bool(found) is wraps, bits
    slow = Track(
        T * 5, np.where(T % 2 < 1, 0, 250).astype(np.int64), np.ones(len(T), bool), MapSignal("Pedal", Layout(0, 8))
    )
    assert not list(_wraps(slow)), "a pedal kicked down between two slow frames"


def test_a_maximum_that_is_too_low_at_full_load_only() -> None:
    """Idle, where nearly every recording spends its time, does not hide it."""
    actual = np.where(T > 27, 400.0, 40.0 + T)
    case: Any = OneBus().says("actual_torque", T, actual, "Nm").says("maximum_torque", T, 0 * T + 300, "Nm")
    assert _said(_together(case, 0))["Maximum_Torque"] == "fail"


@pytest.mark.parametrize(("loss", "status"), [(40.0, "pass"), (-40.0, "pass"), (250.0, "fail")])
def test_friction_is_a_small_part_of_the_most_torque(loss: float, status: str) -> None:
    case: Any = OneBus().says("friction_torque", T, 0 * T + loss, "Nm").says("maximum_torque", T, 0 * T + 450, "Nm")
    assert _said(_friction(case, 0))["Friction_Torque"] == status


PEDAL = np.clip(120 * np.sin(T * 0.5), 0, 100)


@pytest.mark.parametrize(
    ("rpm", "scale", "offset", "status"),
    [(800, 0.98, 3, "pass"), (800, 0.5, 3, "fail"), (800, -0.9, 95, "fail"), (800, 0, 90, "open"), (0, 0.1, 3, "pass")],
)
def test_a_throttle_follows_the_pedal_to_its_ends(rpm: float, scale: float, offset: float, status: str) -> None:
    """The fourth is a diesel engine's flap; in the last the pedal is pressed with the engine stopped."""
    case: Any = OneBus().says("engine_speed", T, 0 * T + rpm, "rpm").says("pedal_position", T, PEDAL, "%")
    case.says("throttle_position", T, PEDAL * scale + offset, "%")
    speed = engine_speed(case, 0)
    assert speed is not None
    assert _said(_throttle(case, 0, speed))["Throttle_Position"] == status


def test_a_pedal_read_once_a_second_is_known_only_between_readings_that_agree() -> None:
    """The scan tool read it floored twice, and it was released just after the second reading."""
    case: Any = OneBus().says("engine_speed", T, 0 * T + 2000, "rpm")
    floored = (T > 9.9) & (T < 11.1)
    read_s = np.arange(0, 30, 1.0)
    case.beside("pedal", read_s, np.where((read_s > 9) & (read_s < 11.5), 100.0, 0.0), "%")
    case.says("throttle_position", T, np.where(floored, 90.0, 3.0), "%")
    speed = engine_speed(case, 0)
    assert speed is not None
    assert _said(_throttle(case, 0, speed))["Throttle_Position"] == "pass"


@pytest.mark.parametrize(("kpa", "status"), [(310.0, "pass"), (60.0, "fail")])
def test_a_revved_engine_has_oil_pressure(kpa: float, status: str) -> None:
    case: Any = OneBus().says("engine_speed", T, 0 * T + 2600, "rpm").says("oil_pressure", T, 0 * T + kpa, "kPa")
    speed = engine_speed(case, 0)
    assert speed is not None
    assert _said(_oil(case, 0, speed))["Oil_Pressure"] == status


@pytest.mark.parametrize(("rate", "status"), [(0.3, "pass"), (3.0, "fail")])
def test_an_idling_engine_burns_a_little(rate: float, status: str) -> None:
    case: Any = OneBus().says("engine_speed", T, 0 * T + 750, "rpm").says("pedal_position", T, 0 * T, "%")
    case.says("fuel_used", T, rate * T, "mL", scale=Fraction(1, 100))
    speed = engine_speed(case, 0)
    assert speed is not None
    assert _said(_idle_fuel(case, 0, speed))["Fuel_Used"] == status


def test_a_gear_is_aimed_at_before_it_is_in() -> None:
    aimed = 1 + (T // 4).astype(int) % 5
    whole: dict[str, Any] = {"scale": Fraction(1), "offset": Fraction(0), "layout": Layout(0, 4)}
    for late_s, status in ((0.3, "pass"), (-0.3, "fail")):
        gear = 1 + ((T - late_s) // 4).astype(int) % 5
        case: Any = OneBus().says("target_gear", T, aimed, "", **whole)
        assert _said(judge_leads(case.says("current_gear", T, gear, "", **whole)))["Target_Gear"] == status


@pytest.mark.parametrize(("shift", "status"), [(20.0, "pass"), (-80.0, "fail")])
def test_a_maximum_torque_is_never_under_the_actual_one(shift: float, status: str) -> None:
    actual = 150 + 100 * np.sin(T)
    case: Any = OneBus().says("actual_torque", T, actual, "Nm").says("maximum_torque", T, actual + shift, "Nm")
    assert _said(_together(case, 0))["Maximum_Torque"] == status


@pytest.mark.parametrize(
    ("lit", "words", "status"),
    [
        (RPM == 0, {}, "pass"),
        (RPM > 0, {}, "fail"),
        (RPM > 0, {0: "on", 1: "off"}, "pass"),
        (RPM == 0, {0: "lit", 1: "off"}, "fail"),
        (RPM == 0, {0: "fine", 1: "low"}, "pass"),
    ],
)
def test_an_oil_lamp_is_dark_while_the_engine_runs(lit: Any, words: dict[int, str], status: str) -> None:
    """A lamp that is lit at 0 says so in its map."""
    case: Any = OneBus().says("engine_speed", T, RPM, "rpm")
    layout = Layout(0, 1)
    case.says("oil_pressure_lamp", T, lit, "", scale=Fraction(1), offset=Fraction(0), layout=layout, choices=words)
    speed = engine_speed(case, 0)
    assert speed is not None
    checks = [c for c in _lamps(case, 0, speed) if c.name == "agrees with the engine's state"]
    assert [c.status for c in checks] == [status]


# --- likeness with what was measured


SLOW = np.arange(1, 29, 0.2)
SPEED = MapSignal("Speed", Layout(0, 16), unit="rpm")


def _track(values: Any) -> Track:
    return Track(T, np.rint(values).astype(np.int64), np.ones(len(T), bool), SPEED)


def _wave(t: Any) -> Any:
    return 2000 + 900 * np.sin(t * 0.8) + 300 * np.sin(t * 2.1)


@pytest.mark.parametrize("lag_s", [0.0, 0.1, 0.3])
def test_a_late_reading_is_still_like_its_signal(lag_s: float) -> None:
    track = _track(_wave(T))
    found = beside(SLOW, _wave(SLOW - lag_s), track, track.values, track.measured)
    assert found is not None
    assert found.right > 0.95
    assert abs(found.lag_s - lag_s) <= 0.04


@pytest.mark.parametrize(
    ("said", "cause"),
    [
        (lambda t: _wave(t) / 1.609344, "mph sent as km/h"),
        (lambda t: 6000 - _wave(t), "the sign is reversed"),
        (lambda t: _wave(t) + 400, "offset: -4"),
        (lambda t: _wave(t * 0.37), "another quantity"),
        (lambda t: 0 * t + 900, "another quantity"),
    ],
)
def test_a_difference_names_its_likely_cause(said: Any, cause: str) -> None:
    track = _track(said(T))
    found = beside(SLOW, _wave(SLOW), track, track.values, track.measured)
    assert found is not None
    assert found.right < 0.75
    assert cause in found.cause()


@pytest.mark.parametrize(
    ("times", "kind", "same"),
    [
        (1.0, "", True),
        (1.03, "", True),
        (1.05, "", False),
        (1.07, "", False),
        (0.92, "", False),
        (1.07, "speed", True),
        (1.1, "speed", False),
    ],
)
def test_a_scale_that_is_a_little_off_is_told_by_all_readings(times: float, kind: str, same: bool) -> None:
    """Most readings are of low values, which agree with such a scale."""
    track = _track(times * _wave(T))
    found = beside(SLOW, _wave(SLOW), track, track.values, track.measured)
    assert found is not None
    assert found.same_scale(kind) == same


@pytest.mark.parametrize(("times", "same"), [(1.0, True), (1.25, False)])
def test_readings_that_stand_at_two_rounded_values_tell_a_scale_no_better_than_their_rounding(
    times: float, same: bool
) -> None:
    """A battery at 12.44 V and charged at 13.96 V, which a scan tool reads as 12.4 and 14.0: a slope of 1.05."""
    hundredths = np.interp(T, [8, 9.2], [1244, 1396])
    read = 10 * np.floor(np.interp(SLOW, [8, 9.2], [1244, 1396]) / 10 + 0.5)
    track = _track(times * hundredths)
    found = beside(SLOW, read, track, track.values, track.measured)
    assert found is not None
    assert found.correlation > 0.99
    assert found.same_scale("voltage") == same


def _filtered(values: Any, over_s: float) -> Any:
    out, said = [], float(values[0])
    for value in values:
        said += 0.02 / (over_s + 0.02) * (value - said)
        out.append(said)
    return np.array(out)


def _quick(t: Any) -> Any:
    return 2000 + 900 * np.sin(t * 2.8) + 300 * np.sin(t * 4.1)


def test_what_a_filter_smooths_on_purpose_is_compared_smoothed() -> None:
    track = _track(_filtered(_quick(T), 0.2))
    measured = Channel("engine_speed", SLOW, _quick(SLOW), "rpm")
    right = []
    for over_s in (0.0, 0.2):
        found = beside(SLOW, smoothed(measured, over_s), track, track.values, track.measured)
        assert found is not None
        right.append(found.right)
    assert right[0] < 0.75
    assert right[1] > 0.9


@pytest.mark.parametrize(
    ("rule", "seconds"),
    [
        ("a.B.C", 0.0),
        ("lowpass(a.B.C, 0.2 s)", 0.2),
        ("clamp(2 * lowpass(a.B.C, 150 ms), 0 rpm, 9 rpm)", 0.15),
        ("choose(a.B.D, lowpass(a.B.C, 1 s), -lowpass(a.B.C, 2 s))", 2.0),
    ],
)
def test_a_rule_says_over_how_long_it_smooths(rule: str, seconds: float) -> None:
    bridge = small_swap.bridge()
    assert filter_s(bridge, parse_written(bridge, Written(rule))) == pytest.approx(seconds)


def test_what_never_moved_beside_a_recording_tells_nothing() -> None:
    track = _track(_wave(T))
    assert beside(SLOW, np.full(len(SLOW), 90.0), track, track.values, track.measured) is None
    assert beside(SLOW[:5], _wave(SLOW[:5]), track, track.values, track.measured) is None


def test_a_switch_is_known_by_what_it_turns() -> None:
    moments = np.arange(0, 30, 3.0)
    channel = Channel("brake", moments, (np.arange(10) % 2).astype(np.float64), "")
    flag = Track(T, (T // 3).astype(int) % 2, np.ones(len(T), bool), SPEED)
    found = switched(channel, flag)
    assert found is not None
    assert found.value_at == {0.0: 0, 1.0: 1}
    assert found.right > 0.99
    turned = switched(channel, flag, {0.0: 1, 1.0: 0})
    assert turned is not None
    assert turned.right < 0.01
    still = Track(T, 0 * T.astype(int), np.ones(len(T), bool), SPEED)
    assert switched(channel, still) is None, "what stands still goes with no switch"
