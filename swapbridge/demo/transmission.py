"""Demo room: an invented four-speed automatic with converter, and the vehicle it drives, stepped in time.

During a shift it asks the engine for less torque and gives the request back when the new gear holds; the loop around
it (request, engine, torque, shift) is the one that a translator's delay is felt in. All figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.demo.engine import RPM_PER_RADIAN

LEVERS = ("P", "R", "N", "D")


@dataclass(frozen=True, slots=True)
class VehicleFigures:
    """What makes one vehicle different from another."""

    mass_kg: float = 1650.0
    wheel_radius_m: float = 0.32
    final_drive: float = 3.4
    ratios: tuple[float, ...] = (2.8, 1.6, 1.0, 0.72)
    reverse_ratio: float = 2.4
    converter_nm_per_rpm2: float = 6.0e-5
    shift_s: float = 0.45
    upshift_kmh: tuple[float, ...] = (16.0, 33.0, 54.0)


@dataclass(frozen=True, slots=True)
class TransmissionInputs:
    """What the transmission's computer reads (from its bus, in a swap from the translator) and what the driver does."""

    engine_rpm: float = 0.0
    actual_nm: float = 0.0
    pedal_percent: float = 0.0
    lever: str = "P"
    brake_percent: float = 0.0
    key: int = 0


@dataclass(slots=True)
class TransmissionOutputs:
    """What the transmission and the vehicle show; `load_nm` is what the converter takes from the crankshaft."""

    load_nm: float = 0.0
    gear: int = 0
    target_gear: int = 0
    turbine_rpm: float = 0.0
    lock_up: bool = False
    shifting: bool = False
    torque_request_nm: float | None = None
    speed_kmh: float = 0.0
    acceleration_mps2: float = 0.0
    distance_m: float = 0.0


@dataclass(slots=True)
class DemoTransmission:
    """An automatic transmission, its computer and its vehicle. `step` as for `DemoEngine`."""

    figures: VehicleFigures
    out: TransmissionOutputs = field(default_factory=TransmissionOutputs)
    _shift_left_s: float = 0.0
    _settled_s: float = 0.0
    _old_ratio: float = 0.0
    _reduce_nm: float = 0.0

    def step(self, inputs: TransmissionInputs, crank_rpm: float, dt_s: float) -> TransmissionOutputs:
        """One time step.

        Parameters
        ----------
        inputs : TransmissionInputs
            What its computer received; may be late or wrong.
        crank_rpm : float
            The crankshaft's true speed, which its shaft feels whatever the bus says.
        dt_s : float
            Seconds, 0.01 or less.
        """
        out, f = self.out, self.figures
        self._choose_gear(inputs, dt_s)
        ratio = self._ratio(inputs.lever)
        speed_mps = out.speed_kmh / 3.6
        wheel_rpm = speed_mps / f.wheel_radius_m * RPM_PER_RADIAN
        if ratio == 0.0:
            out.load_nm = 4.0 * min(1.0, crank_rpm / 300.0)
            out.turbine_rpm += (crank_rpm * 0.97 - out.turbine_rpm) * dt_s / 0.2
            drive_n = 0.0
        else:
            out.turbine_rpm = wheel_rpm * f.final_drive * abs(ratio)
            out.load_nm, turbine_nm = self._converter(crank_rpm, out.turbine_rpm)
            drive_n = turbine_nm * ratio * f.final_drive * 0.93 / f.wheel_radius_m
        self._request(inputs)
        rolling = 190.0 + 0.42 * speed_mps * speed_mps if speed_mps > 0.05 else 0.0
        brake_n = inputs.brake_percent * 95.0
        if inputs.lever == "P" and speed_mps < 0.3:
            out.acceleration_mps2, speed_mps = 0.0, 0.0
        else:
            out.acceleration_mps2 = (drive_n - rolling - brake_n) / f.mass_kg
            moved = speed_mps + out.acceleration_mps2 * dt_s
            out.acceleration_mps2 = out.acceleration_mps2 if moved > 0.0 else 0.0
            speed_mps = max(0.0, moved)
        out.speed_kmh = speed_mps * 3.6
        out.distance_m += speed_mps * dt_s
        return out

    def _choose_gear(self, inputs: TransmissionInputs, dt_s: float) -> None:
        out, f = self.out, self.figures
        self._shift_left_s = max(0.0, self._shift_left_s - dt_s)
        self._settled_s += dt_s
        out.shifting = self._shift_left_s > 0.0
        if inputs.lever != "D":
            out.gear = out.target_gear = -1 if inputs.lever == "R" else 0
            out.lock_up = False
            return
        if out.gear < 1:
            out.gear = out.target_gear = 1
            self._settled_s = 0.0
        if not out.shifting:
            out.gear = out.target_gear
            later = 1.0 + inputs.pedal_percent * 0.009
            up = out.gear < len(f.ratios) and out.speed_kmh > f.upshift_kmh[out.gear - 1] * later
            down = out.gear > 1 and out.speed_kmh < f.upshift_kmh[out.gear - 2] * later * 0.72
            if (up or down) and self._settled_s > 1.2:
                self._old_ratio = f.ratios[out.gear - 1]
                out.target_gear = out.gear + (1 if up else -1)
                self._shift_left_s = f.shift_s
                self._settled_s = 0.0
                self._reduce_nm = max(20.0, inputs.actual_nm * 0.55)
                out.shifting = True
        out.lock_up = out.gear >= 3 and not out.shifting and self._settled_s > 1.5 and inputs.pedal_percent < 60.0

    def _ratio(self, lever: str) -> float:
        f, out = self.figures, self.out
        if lever == "R":
            return f.reverse_ratio
        if lever != "D" or out.target_gear < 1:
            return 0.0
        new = f.ratios[out.target_gear - 1]
        share = self._shift_left_s / f.shift_s
        return new + (self._old_ratio - new) * share if out.shifting else new

    def _converter(self, crank_rpm: float, turbine_rpm: float) -> tuple[float, float]:
        """Torque taken from the crankshaft and given to the turbine."""
        if self.out.lock_up:
            torque = min(500.0, max(-150.0, (crank_rpm - turbine_rpm) * 0.9))
            return torque, torque
        if crank_rpm < 100.0:
            return 0.0, 0.0
        slip = 1.0 - turbine_rpm / crank_rpm
        grip = min(1.0, max(-0.35, slip * 5.0))
        pump = self.figures.converter_nm_per_rpm2 * crank_rpm * crank_rpm * grip
        pump = min(600.0, pump)
        gain = 1.0 + 0.85 * max(0.0, slip - 0.12)
        return pump, pump * gain

    def _request(self, inputs: TransmissionInputs) -> None:
        """Less torque while the gears change hands, given back over the last third of the shift."""
        out, f = self.out, self.figures
        upshift = out.target_gear > out.gear
        if not (out.shifting and upshift and inputs.pedal_percent > 4.0):
            out.torque_request_nm = None
            return
        left = self._shift_left_s / f.shift_s
        back = 0.0 if left > 0.33 else 1.0 - left / 0.33
        out.torque_request_nm = self._reduce_nm * (1.0 + 0.8 * back)
