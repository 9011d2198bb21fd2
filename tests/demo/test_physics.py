"""The demo's physics under any hands: bounded, repeatable, and with the torque structure that a transmission checks."""

from __future__ import annotations

from dataclasses import asdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.demo.drive_legs import DriverSeat, Leg, full_script
from swapbridge.demo.encode import FrameMaker
from swapbridge.demo.engine import DemoEngine, EngineInputs, look_up
from swapbridge.demo.transmission import LEVERS, DemoTransmission, TransmissionInputs
from swapbridge.demo.vehicle import DONOR_ENGINE, HOST_ENGINE, HOST_VEHICLE, host_vehicle
from swapbridge.demo.vehicle_maps import DIAL_CURVE, donor_map
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

STEP_S = 0.01


def started(request_nm: float | None = None, pedal: float = 0.0, seconds: float = 3.0) -> DemoEngine:
    """A donor engine that was cranked and then held with a pedal against a brake of 60 Nm."""
    engine = DemoEngine(DONOR_ENGINE)
    for step in range(int((1.0 + seconds) / STEP_S)):
        key = 2 if step < 90 else 1
        held = step > 150
        engine.step(
            EngineInputs(
                key=key,
                pedal_percent=pedal if held else 0.0,
                load_nm=60.0 if held and pedal else 4.0,
                torque_request_nm=request_nm if held else None,
            ),
            STEP_S,
        )
    return engine


inputs = st.builds(
    EngineInputs,
    key=st.sampled_from([0, 1, 1, 1, 2]),
    pedal_percent=st.floats(0, 100),
    load_nm=st.floats(-100, 500),
    torque_request_nm=st.none() | st.floats(-100, 600),
    compressor_on=st.booleans(),
    ambient_c=st.floats(-30, 45),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(inputs, st.integers(1, 80)), min_size=1, max_size=12))
def test_engine_stays_within_what_it_says_of_itself(plan: list[tuple[EngineInputs, int]]) -> None:
    engine = DemoEngine(HOST_ENGINE)
    for one, steps in plan:
        for _ in range(steps):
            out = engine.step(one, STEP_S)
            assert 0 <= out.speed_rpm < 9000
            assert out.least_nm - 1e-9 <= out.actual_nm <= out.most_nm + 1e-9
            assert out.least_nm - 1e-9 <= out.before_intervention_nm <= out.most_nm + 1e-9
            assert out.loss_nm > 0
            assert -60 < out.coolant_c < 160
            assert 0 <= out.oil_kpa < 600
            if not out.running:
                assert (out.actual_nm, out.demand_nm, out.reduction_active) == (0.0, 0.0, False)


def test_engine_idles_and_cuts_fuel_in_overrun() -> None:
    engine = started()
    assert engine.out.speed_rpm == pytest.approx(DONOR_ENGINE.idle_rpm, rel=0.45)  # cold: raised
    engine.out.speed_rpm = 3000.0
    for _ in range(60):
        out = engine.step(EngineInputs(key=1, load_nm=-40.0), STEP_S)
    assert out.speed_rpm > 1500
    assert out.actual_nm == pytest.approx(-out.loss_nm, rel=0.05)


def test_reduction_is_quick_acknowledged_and_given_back() -> None:
    """Spark, not air: within 60 ms; torque before intervention is not touched by it."""
    engine = started(pedal=40.0, seconds=1.2)
    before = engine.out.actual_nm
    assert before > 80
    for _ in range(6):
        out = engine.step(EngineInputs(key=1, pedal_percent=40.0, load_nm=60.0, torque_request_nm=40.0), STEP_S)
    assert out.reduction_active
    assert out.actual_nm < 50
    assert out.before_intervention_nm > 80
    for _ in range(10):
        out = engine.step(EngineInputs(key=1, pedal_percent=40.0, load_nm=60.0), STEP_S)
    assert not out.reduction_active
    assert out.actual_nm > 80


def test_transmission_asks_for_less_only_while_it_shifts_up() -> None:
    vehicle = host_vehicle()
    seat = DriverSeat(full_script(3))
    asked = 0
    was = False
    for _ in range(int(seat.seconds / STEP_S)):
        state = vehicle.step(seat.step(vehicle.state, STEP_S), STEP_S)
        asks = state.trans.torque_request_nm is not None
        if asks:
            assert state.trans.shifting
            assert state.trans.target_gear > state.trans.gear
        asked += asks and not was
        was = asks
    assert asked >= 4


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(LEVERS), st.floats(0, 100), st.floats(0, 6500), st.integers(1, 100)),
        min_size=1,
        max_size=10,
    )
)
def test_transmission_stays_sane(plan: list[tuple[str, float, float, int]]) -> None:
    transmission = DemoTransmission(HOST_VEHICLE)
    for lever, brake, rpm, steps in plan:
        for _ in range(steps):
            told = TransmissionInputs(rpm, 100.0, 30.0, lever, brake, 1)
            out = transmission.step(told, rpm, STEP_S)
            assert 0 <= out.speed_kmh < 400
            assert -400 < out.load_nm <= 600
            assert -1 <= out.gear <= 4
            assert out.torque_request_nm is None or out.torque_request_nm >= 0


def test_same_hands_same_drive() -> None:
    """Equal to the last bit: nothing in the physics depends on the machine or on chance."""
    runs = []
    for _ in range(2):
        vehicle, seat = host_vehicle(), DriverSeat([Leg(1, key=0), Leg(1, key=2), Leg(3, kmh=30.0, lever="D")])
        for _ in range(500):
            vehicle.step(seat.step(vehicle.state, STEP_S), STEP_S)
        runs.append((asdict(vehicle.engine.out), asdict(vehicle.transmission.out)))
    assert runs[0] == runs[1]


def test_curves_are_straight_between_points_and_flat_beyond() -> None:
    assert look_up(DIAL_CURVE, -10) == 0
    assert look_up(DIAL_CURVE, 55) == pytest.approx(22.5)
    assert look_up(DIAL_CURVE, 95) == 50
    assert look_up(DIAL_CURVE, 200) == 100


def test_frames_round_half_away_from_zero_and_stay_in_range() -> None:
    signals = (
        MapSignal("A", Layout(0, 8, signed=True)),
        MapSignal("B", Layout(8, 8)),
        MapSignal("N", Layout(16, 4), counter=Counter(1, 3)),
    )
    maker = FrameMaker(MapMessage("M", 1, False, 3, signals))
    made = [maker.frame({"A": a, "B": b}) for a, b in ((-2.5, 2.5), (-2.4, 300.0), (500.0, -1.0), (0.0, 0.49))]
    assert [int.from_bytes(f[:1], "big", signed=True) for f in made] == [-3, -2, 127, 0]
    assert [f[1] for f in made] == [3, 255, 0, 0]
    assert [f[2] for f in made] == [1, 2, 3, 1]


def test_pages_take_turns() -> None:
    message = donor_map().message("PCM_STATUS")
    assert message is not None
    maker = FrameMaker(message)
    pages = [maker.frame({"OilPressure": 400, "IntakeTemp": 20, "RunTime": 7})[0] & 15 for _ in range(6)]
    assert pages == [0, 1, 2, 0, 1, 2]
