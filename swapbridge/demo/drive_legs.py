"""Demo room: what is done to a vehicle while it is recorded, leg by leg, as a practitioner would do it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from swapbridge.demo.vehicle import Driver, VehicleState


@dataclass(frozen=True, slots=True)
class Leg:
    """One thing done for some seconds.

    The pedal moves in a straight line from `pedal[0]` to `pedal[1]` percent, or holds `rpm`, or drives at `kmh`.
    """

    seconds: float
    pedal: tuple[float, float] = (0.0, 0.0)
    rpm: float | None = None
    kmh: float | None = None
    key: int = 1
    lever: str = "P"
    brake: float = 0.0
    awake: bool = True
    compressor: bool = False
    lights: bool = False
    door: bool = False
    blower: int = 2
    steering: float = 0.0


def full_script(seed: int) -> list[Leg]:
    """Asleep, wake, pedal sweeps, crank, holds, blips, compressor, brake, lever, a drive, asleep; two more starts."""
    random = Random(seed)

    def about(seconds: float) -> float:
        return round(seconds * (0.85 + 0.3 * random.random()), 2)

    legs = [Leg(1.5, key=0, awake=False, blower=0), Leg(about(1.5), key=0, door=True, blower=0), Leg(about(2))]
    for top in (100.0, 72.0):
        legs += [Leg(about(2.6), (0.0, top)), Leg(about(2.6), (top, 0.0)), Leg(about(0.8))]
    legs += [Leg(1.0, key=2), Leg(about(4))]
    for rpm in (1500.0, 2500.0, 3500.0):
        legs += [Leg(about(3.5), rpm=rpm), Leg(about(2))]
    for _ in range(3):
        legs += [Leg(0.5, (30.0, 34.0)), Leg(about(1.6))]
    for _ in range(3):
        legs += [Leg(about(2.4), compressor=True, blower=6), Leg(about(2.0), blower=1)]
    for _ in range(5):
        legs += [Leg(about(0.7), brake=30.0 + 20.0 * random.random()), Leg(about(0.7))]
    for lever in ("R", "N", "D", "N", "R", "P", "R", "N", "D"):
        legs += [Leg(about(1.2), lever=lever, brake=45.0, lights=lever == "N")]
    steering = 60.0 if random.random() < 0.5 else -60.0
    for kmh, seconds in ((20.0, 5.0), (40.0, 7.0), (26.0, 3.5), (62.0, 10.0)):
        legs.append(Leg(about(seconds), kmh=kmh, lever="D", steering=steering))
        steering = -steering * 0.7
    legs += [
        Leg(about(3), (100.0, 100.0), lever="D"),
        Leg(about(3.5), lever="D", lights=True),
        Leg(about(5), kmh=45.0, lever="D", compressor=True, blower=5),
        Leg(about(5), lever="D", brake=38.0),
        Leg(about(1), lever="D", brake=30.0),
        Leg(about(6), kmh=35.0, lever="D", steering=steering),
        Leg(about(4.5), lever="D", brake=42.0),
        Leg(about(1.5), lever="N", brake=40.0),
        Leg(about(2.5), rpm=2000.0),
        Leg(about(2.5)),
    ]
    return [*legs, *_asleep(), *_wake_again(), *_wake_again()]


def _asleep() -> list[Leg]:
    """Key off, and wait until the bus sleeps."""
    return [Leg(2.5, key=0, blower=0), Leg(1.5, key=0, awake=False, blower=0)]


def _wake_again() -> list[Leg]:
    """Another start: what is sent once after waking must have been seen three times to be believed."""
    wake = [Leg(2.5, key=0, awake=False, blower=0), Leg(0.4, key=0, blower=0), Leg(1.2)]
    return [*wake, Leg(1.0, key=2), Leg(1.5), *_asleep()]


def unplugged_script() -> list[Leg]:
    """The engine computer is off: wake, key on, pedal, brake and lever, a crank that starts nothing, key off."""
    legs = [Leg(1.5, key=0, awake=False, blower=0), Leg(1.5, key=0, door=True, blower=0), Leg(4)]
    legs += [Leg(2, (0.0, 80.0)), Leg(2, (80.0, 0.0)), Leg(1, brake=40.0), Leg(1), Leg(1, brake=40.0)]
    legs += [Leg(1.2, lever=lever, brake=45.0) for lever in ("R", "N", "D", "N", "P")]
    return [*legs, Leg(1, key=2), Leg(3, compressor=True, blower=6), Leg(2), *_asleep()]


def table_script() -> list[Leg]:
    """The donor's computer and its pedal on a table: power, key on, two pedal sweeps, key off. No engine to crank."""
    legs = [Leg(1.5, key=0, awake=False, blower=0), Leg(1.0, key=0, blower=0), Leg(2)]
    legs += [Leg(1.5, (0.0, 90.0)), Leg(1.5, (90.0, 0.0)), Leg(1.0)] * 2
    return [*legs, *_asleep()]


@dataclass(slots=True)
class DriverSeat:
    """Turns legs into what the driver's hands and feet do at each time step."""

    legs: Sequence[Leg]
    ambient_c: float = 18.0
    hands: Driver = field(default_factory=Driver)
    _leg: int = 0
    _into_s: float = 0.0
    _sum: float = 0.0

    @property
    def seconds(self) -> float:
        """Length of the whole script."""
        return sum(leg.seconds for leg in self.legs)

    def step(self, state: VehicleState, dt_s: float) -> Driver:
        """What is done now; `state` is what the driver sees."""
        while self._leg < len(self.legs) - 1 and self._into_s >= self.legs[self._leg].seconds:
            self._into_s -= self.legs[self._leg].seconds
            self._leg += 1
            self._sum = 0.0
        leg, hands = self.legs[self._leg], self.hands
        hands.awake, hands.key, hands.lever = leg.awake, leg.key, leg.lever
        hands.compressor, hands.lights, hands.door, hands.blower = leg.compressor, leg.lights, leg.door, leg.blower
        hands.ambient_c = self.ambient_c
        pedal, brake = self._feet(leg, state, dt_s)
        hands.pedal_percent += min(220.0 * dt_s, max(-260.0 * dt_s, pedal - hands.pedal_percent))
        hands.brake_percent += min(150.0 * dt_s, max(-200.0 * dt_s, brake - hands.brake_percent))
        hands.steering_deg += min(40.0 * dt_s, max(-40.0 * dt_s, leg.steering - hands.steering_deg))
        self._into_s += dt_s
        return hands

    def _feet(self, leg: Leg, state: VehicleState, dt_s: float) -> tuple[float, float]:
        if leg.rpm is not None:
            error = leg.rpm - state.engine.speed_rpm
            self._sum = min(25.0, max(0.0, self._sum + error * 0.004 * dt_s))
            return min(45.0, max(0.0, 3.0 + self._sum + error * 0.006)), 0.0
        if leg.kmh is not None:
            error = leg.kmh - state.trans.speed_kmh
            self._sum = min(30.0, max(0.0, self._sum + error * 0.5 * dt_s))
            return min(55.0, max(0.0, 4.0 + self._sum + error * 2.2)), min(40.0, max(0.0, (-error - 6.0) * 3.0))
        return leg.pedal[0] + (leg.pedal[1] - leg.pedal[0]) * min(1.0, self._into_s / leg.seconds), leg.brake
