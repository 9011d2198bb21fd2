"""Demo room: an invented petrol engine with its computer, stepped in time, good enough to close a loop around.

Only + - x / on binary floats and no library function whose last digit may differ between machines, so that a demo
capture is the same to the byte everywhere. All figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

RPM_PER_RADIAN = 9.549296585513721
"""Revolutions a minute in one radian a second: 60 / (2 pi)."""

TorqueCurve = tuple[tuple[float, float], ...]


def look_up(curve: TorqueCurve, x: float) -> float:
    """Piecewise-linear curve, flat beyond its ends."""
    if x <= curve[0][0]:
        return curve[0][1]
    for (x0, y0), (x1, y1) in pairwise(curve):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return curve[-1][1]


@dataclass(frozen=True, slots=True)
class EngineFigures:
    """What makes one engine different from another.

    `most_torque` is crankshaft torque in Nm over rpm, `reference_nm` the torque that its computer calls 100 %.
    """

    most_torque: TorqueCurve
    reference_nm: float
    idle_rpm: float = 750.0
    most_rpm: float = 6200.0
    inertia_kgm2: float = 0.18
    friction_nm: float = 16.0
    friction_nm_per_krpm: float = 5.5
    torque_lag_s: float = 0.08
    spark_lag_s: float = 0.012
    thermostat_c: float = 86.0


@dataclass(frozen=True, slots=True)
class EngineInputs:
    """What reaches the engine and its computer in one step.

    `torque_request_nm` is the transmission's reduction request (None: no request), `load_nm` the torque the converter
    takes from the crankshaft, `key` 0 off, 1 on, 2 crank.
    """

    key: int = 0
    pedal_percent: float = 0.0
    load_nm: float = 0.0
    torque_request_nm: float | None = None
    compressor_on: bool = False
    electrical_load_a: float = 20.0
    ambient_c: float = 18.0


@dataclass(slots=True)
class EngineOutputs:
    """What the engine's computer knows, in plain units; torques at the clutch, friction counted as a positive loss."""

    speed_rpm: float = 0.0
    running: bool = False
    actual_nm: float = 0.0
    demand_nm: float = 0.0
    before_intervention_nm: float = 0.0
    most_nm: float = 0.0
    least_nm: float = 0.0
    loss_nm: float = 0.0
    reduction_active: bool = False
    throttle_percent: float = 0.0
    coolant_c: float = 18.0
    oil_c: float = 18.0
    oil_kpa: float = 0.0
    intake_c: float = 20.0
    manifold_kpa: float = 100.0
    battery_v: float = 12.4
    fuel_ml: float = 0.0
    run_s: float = 0.0
    kick_down: bool = False
    charge_lamp: bool = False
    oil_lamp: bool = False
    fault_lamp: bool = False
    compressor_allowed: bool = False


@dataclass(slots=True)
class DemoEngine:
    """An engine and its computer. `step` moves it on by a fixed time step (10 ms or less) and returns what it shows.

    Torque follows the pedal with the lag of air, a reduction request with the much shorter lag of spark; above idle
    with the pedal released the fuel is cut and torque is the negative loss; idle speed is held by a small controller.
    """

    figures: EngineFigures
    out: EngineOutputs = field(default_factory=EngineOutputs)
    _air_nm: float = 0.0
    _idle_nm: float = 0.0
    _valve: float = 0.0
    _key_on_s: float = 0.0
    _fan: bool = False

    def step(self, inputs: EngineInputs, dt_s: float) -> EngineOutputs:
        """One time step; the returned object is the engine's own and changes with the next step."""
        out, f = self.out, self.figures
        self._key_on_s = self._key_on_s + dt_s if inputs.key else 0.0
        rpm = out.speed_rpm
        out.running = bool(inputs.key) and rpm > (200.0 if out.running else 300.0)
        self._torques(inputs, dt_s)
        starter = 75.0 if inputs.key == 2 and rpm < 400.0 else 0.0
        drag = 0.0 if out.running else min(1.0, rpm / 60.0) * (f.friction_nm + 14.0)
        accessory = 6.0 if inputs.compressor_on and out.running else 0.0
        net = out.actual_nm * out.running + starter - drag - accessory - inputs.load_nm
        out.speed_rpm = max(0.0, rpm + net / f.inertia_kgm2 * RPM_PER_RADIAN * dt_s)
        self._temperatures(inputs, dt_s)
        self._supplies(inputs, dt_s)
        return out

    def _torques(self, inputs: EngineInputs, dt_s: float) -> None:
        out, f, rpm = self.out, self.figures, self.out.speed_rpm
        out.loss_nm = f.friction_nm + f.friction_nm_per_krpm * rpm / 1000.0 + max(0.0, 60.0 - out.oil_c) * 0.15
        out.most_nm = look_up(f.most_torque, rpm) if out.running else 0.0
        out.least_nm = -out.loss_nm if out.running else 0.0
        pedal = inputs.pedal_percent / 100.0
        out.kick_down = inputs.pedal_percent > 95.0
        out.throttle_percent = (
            3.0 + 0.35 * inputs.pedal_percent + 0.6 * pedal * inputs.pedal_percent if inputs.key else 0.0
        )
        if not out.running:
            self._air_nm = self._idle_nm = 0.0
            out.demand_nm = out.before_intervention_nm = out.actual_nm = 0.0
            out.reduction_active = False
            return
        error = f.idle_rpm + max(0.0, 50.0 - out.coolant_c) * 6.0 - rpm
        self._idle_nm = min(60.0, max(-5.0, self._idle_nm + error * 0.06 * dt_s)) if pedal < 0.02 else self._idle_nm
        idle = min(80.0, max(0.0, self._idle_nm + error * 0.12))
        shaped = pedal * (1.45 - 0.45 * pedal)
        span = out.most_nm + out.loss_nm
        out.demand_nm = min(out.most_nm, shaped * span - out.loss_nm * (1.0 if rpm > 1300.0 else 0.0))
        if pedal < 0.02:
            out.demand_nm = -out.loss_nm if rpm > 1300.0 else out.demand_nm
        wanted = out.demand_nm + (idle if rpm < 1300.0 else 0.0)
        if rpm > f.most_rpm:
            wanted = -out.loss_nm
        self._air_nm += (wanted - self._air_nm) * dt_s / (f.torque_lag_s + dt_s)
        out.before_intervention_nm = min(out.most_nm, max(-out.loss_nm, self._air_nm))
        request = inputs.torque_request_nm
        out.reduction_active = request is not None and request < out.before_intervention_nm
        target = request if out.reduction_active and request is not None else out.before_intervention_nm
        target = min(out.most_nm, max(-out.loss_nm, target))
        moved = out.actual_nm + (target - out.actual_nm) * dt_s / (f.spark_lag_s + dt_s)
        out.actual_nm = min(out.most_nm, max(-out.loss_nm, moved))

    def _temperatures(self, inputs: EngineInputs, dt_s: float) -> None:
        """Warm-up far quicker than a real engine's, so that a demo capture of two minutes holds one."""
        out = self.out
        power_kw = max(0.0, out.actual_nm + out.loss_nm) * out.speed_rpm / 9549.0
        heat = (0.95 + 0.085 * power_kw) if out.running else 0.0
        target = min(1.0, max(0.0, (out.coolant_c - self.figures.thermostat_c) / 6.0))
        self._valve += (target - self._valve) * dt_s / (3.5 + dt_s)
        self._fan = out.coolant_c > 97.0 or (self._fan and out.coolant_c > 91.0)
        cooling = 0.002 + 0.045 * self._valve + (0.04 if self._fan else 0.0)
        out.coolant_c += (heat - cooling * (out.coolant_c - inputs.ambient_c)) * dt_s
        oil_target = out.coolant_c + 0.004 * out.speed_rpm if out.running else inputs.ambient_c
        out.oil_c += (oil_target - out.oil_c) * dt_s / 25.0
        out.intake_c += (inputs.ambient_c + 0.22 * (out.coolant_c - inputs.ambient_c) - out.intake_c) * dt_s / 30.0

    def _supplies(self, inputs: EngineInputs, dt_s: float) -> None:
        out, rpm = self.out, self.out.speed_rpm
        thick = 1.0 + max(0.0, 90.0 - out.oil_c) * 0.006
        oil = min(520.0, 0.1 * rpm * thick + 30.0) if rpm > 150.0 else 0.0
        out.oil_kpa += (oil - out.oil_kpa) * dt_s / 0.25
        torque = max(0.0, self._air_nm + out.loss_nm)
        pressure = 28.0 + 72.0 * min(1.0, torque / max(60.0, out.most_nm + out.loss_nm)) if out.running else 100.0
        out.manifold_kpa += (pressure - out.manifold_kpa) * dt_s / 0.06
        volts = 14.1 - 0.006 * inputs.electrical_load_a if out.running and rpm > 600.0 else 12.4
        if inputs.key == 2:
            volts = 10.2
        out.battery_v += (volts - out.battery_v) * dt_s / 0.3
        out.fuel_ml += max(0.0, (torque * rpm / 9549.0) * 0.085 + 0.12) * dt_s if out.running and torque > 1.0 else 0.0
        out.run_s += dt_s if out.running else 0.0
        out.charge_lamp = bool(inputs.key) and not (out.running and out.battery_v > 13.0)
        out.oil_lamp = bool(inputs.key) and out.oil_kpa < 60.0
        out.fault_lamp = bool(inputs.key) and (self._key_on_s < 3.0 or not out.running)
        out.compressor_allowed = out.running and out.coolant_c < 108.0 and inputs.pedal_percent < 95.0
