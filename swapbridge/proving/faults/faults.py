"""Proving room: the faults a translator must bear, as changes to a scene: to recorded traffic, the node, its clock.

Each fault changes a `Scene` by itself; two faults are one after the other on the same scene. All chance comes from the
scene's generator, so that a seed gives the same run again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Checksum, Counter
from swapbridge.plan.model import Plan
from swapbridge.plan.program import Program
from swapbridge.proving.bench.nodes import Device
from swapbridge.proving.bench.simulated_bus import Simulation
from swapbridge.proving.bench.traffic import Traffic, at_other_times, merge, pick, repeated_frame, with_payloads
from swapbridge.signalmap.model import MapMessage, SignalMap

Ints = npt.NDArray[np.int64]
Rows = npt.NDArray[np.bool_]
MS = 1_000_000
SECOND = 1_000 * MS
Prepare = Callable[[Simulation, Device], None]


@dataclass(slots=True)
class Scene:
    """One run in the making.

    Attributes
    ----------
    plan : Plan
    maps : mapping of str to SignalMap
        By bus name.
    reads : tuple of frozenset of int
        Words of each bus that the bridge file reads by its maps: what faults aim at, whatever the plan listens to.
    traffic : list of Traffic
        One a bus; faults replace them.
    start_ns, end_ns : int
        When the fault begins and is over.
    rng : numpy Generator
    make : callable
        Makes a fresh translator, for power cuts.
    prepares : list
        What is done to the simulation before it runs.
    error_rate, clock_us
        For the simulation.
    steps_clock, steps_back, cuts_power : bool
        What rules about time have to allow for.
    stops_sending : bool
        Nothing of the translator's gets through for a while.
    worthless : set of (int, int)
        Bus and word of what is missing or not to be believed from the fault's begin to its end: safe answers are due.
    """

    plan: Plan
    maps: Mapping[str, SignalMap]
    reads: tuple[frozenset[int], ...]
    traffic: list[Traffic]
    start_ns: int
    end_ns: int
    rng: np.random.Generator
    make: Callable[[], Program]
    prepares: list[Prepare] = field(default_factory=list)
    error_rate: float = 0.0
    clock_us: int = 0
    steps_clock: bool = False
    steps_back: bool = False
    cuts_power: bool = False
    stops_sending: bool = False
    worthless: set[tuple[int, int]] = field(default_factory=set)

    def prepare(self, simulation: Simulation, device: Device) -> None:
        """Everything that is done to a simulation before it runs."""
        for one in self.prepares:
            one(simulation, device)

    def within(self, traffic: Traffic) -> Rows:
        """Rows of the fault's time."""
        return (traffic.release_ns >= self.start_ns) & (traffic.release_ns < self.end_ns)

    @property
    def sources(self) -> list[int]:
        """Buses that the bridge file reads and something was recorded on, the one with the most messages first."""
        there = (bus for bus, words in enumerate(self.reads) if words and len(self.traffic[bus]))
        return sorted(there, key=lambda bus: -len(self.reads[bus]))

    def any_source(self) -> int:
        """One of them."""
        return int(self.rng.choice(self.sources))

    def any_word(self, bus: int) -> int:
        """An identifier that is read on a bus, and that was recorded there."""
        words = self.read_words(bus)
        return int(self.rng.choice(words)) if words else -2

    def read_words(self, bus: int) -> list[int]:
        """Identifiers that are read on a bus and were recorded there, rising."""
        return sorted(self.reads[bus] & set(np.unique(self.traffic[bus].word).tolist()))

    def message(self, bus: int, word: int) -> MapMessage | None:
        """Its map entry."""
        signal_map = self.maps.get(self.plan.buses[bus].name)
        return signal_map.by_word(word) if signal_map is not None else None


Fault = Callable[[Scene], None]


def silent_bus(scene: Scene) -> None:
    """Every frame of one source bus is missing."""
    bus = scene.any_source()
    traffic = scene.traffic[bus]
    scene.traffic[bus] = pick(traffic, ~scene.within(traffic))
    scene.worthless.update((bus, word) for word in scene.read_words(bus))


def silent_identifier(scene: Scene) -> None:
    """One identifier that is read is missing."""
    bus = scene.any_source()
    traffic, word = scene.traffic[bus], scene.any_word(bus)
    scene.traffic[bus] = pick(traffic, ~(scene.within(traffic) & (traffic.word == word)))
    scene.worthless.add((bus, word))


def coming_and_going(scene: Scene) -> None:
    """Every identifier that is read falls silent and comes back again and again, each at its own times.

    Silences of 2 to 20 periods lie on both sides of the usual age limits, and the stretches between them on both sides
    of the good frames that make a source count again.
    """
    last = max((int(t.release_ns[-1]) for t in scene.traffic if len(t)), default=0)
    scene.end_ns = max(scene.end_ns, last - 3 * SECOND)
    for bus in scene.sources:
        traffic = scene.traffic[bus]
        stays = np.ones(len(traffic), bool)
        for word in scene.read_words(bus):
            rows = np.flatnonzero(traffic.word == word)
            times = traffic.release_ns[rows]
            period = int(np.median(np.diff(times))) if len(rows) > 1 else SECOND
            at = scene.start_ns
            while at < scene.end_ns:
                at += int(scene.rng.uniform(0, 10) * period)
                until = min(at + int(scene.rng.uniform(2, 20) * period), scene.end_ns)
                stays[rows[(times >= at) & (times < until)]] = False
                at = until + MS
        scene.traffic[bus] = pick(traffic, stays)


def late_frames(scene: Scene) -> None:
    """One identifier comes up to 80 ms late."""
    bus = scene.any_source()
    traffic, word = scene.traffic[bus], scene.any_word(bus)
    rows = scene.within(traffic) & (traffic.word == word)
    delay = np.where(rows, scene.rng.integers(0, 80 * MS, len(traffic)), 0)
    # of one identifier, order is kept: a sender that is late does not overtake itself
    release = traffic.release_ns + delay
    chosen = np.flatnonzero(traffic.word == word)
    release[chosen] = np.maximum.accumulate(release[chosen])
    scene.traffic[bus] = at_other_times(traffic, release, np.arange(len(traffic)))


def doubled_frames(scene: Scene) -> None:
    """One identifier comes twice each time."""
    bus = scene.any_source()
    traffic, word = scene.traffic[bus], scene.any_word(bus)
    again = np.flatnonzero(scene.within(traffic) & (traffic.word == word))
    rows = np.concatenate([np.arange(len(traffic)), again])
    release = np.concatenate([traffic.release_ns, traffic.release_ns[again] + 300_000])
    scene.traffic[bus] = at_other_times(traffic, release, rows)


def out_of_order(scene: Scene) -> None:
    """Neighbouring frames of one identifier change places."""
    bus = scene.any_source()
    traffic, word = scene.traffic[bus], scene.any_word(bus)
    chosen = np.flatnonzero(scene.within(traffic) & (traffic.word == word))
    pairs = len(chosen) // 2
    payload = traffic.payload.copy()
    first, second = chosen[0 : 2 * pairs : 2], chosen[1 : 2 * pairs : 2]
    payload[first], payload[second] = traffic.payload[second], traffic.payload[first]
    scene.traffic[bus] = with_payloads(traffic, payload)


def _lost(share: float) -> Fault:
    def lost(scene: Scene) -> None:
        for bus in scene.sources:
            traffic = scene.traffic[bus]
            gone = scene.within(traffic) & (scene.rng.random(len(traffic)) < share)
            scene.traffic[bus] = pick(traffic, ~gone)

    lost.__doc__ = f"{share:.0%} of the frames of all source buses are lost."
    return lost


def _edit(scene: Scene, share: float, edit: Callable[[bytearray, MapMessage], None]) -> None:
    """Change the payload of a share of the frames that are read, on every source bus."""
    for bus in scene.sources:
        traffic = scene.traffic[bus]
        words = np.array(scene.read_words(bus), np.int64)
        rows = scene.within(traffic) & np.isin(traffic.word, words) & (scene.rng.random(len(traffic)) < share)
        payload = traffic.payload.copy()
        for row in np.flatnonzero(rows).tolist():
            message = scene.message(bus, int(traffic.word[row]))
            if message is None:
                continue
            data = bytearray(payload[row, : traffic.length[row]].tobytes())
            edit(data, message)
            payload[row, : len(data)] = list(data)
        scene.traffic[bus] = with_payloads(traffic, payload)


def _repair(data: bytearray, message: MapMessage) -> None:
    """Make the checksum right again."""
    checksum = _checksum(message)
    if checksum is not None and len(data) >= message.length:
        checksum.insert(data)


def _checksum(message: MapMessage) -> Checksum | None:
    return next((s.checksum for s in message.signals if s.checksum is not None), None)


def flipped_bits(scene: Scene) -> None:
    """A bit is flipped in one frame of ten."""

    def edit(data: bytearray, message: MapMessage) -> None:
        if data:
            bit = int(scene.rng.integers(8 * len(data)))
            data[bit >> 3] ^= 1 << (bit & 7)

    _edit(scene, 0.1, edit)


def flipped_bits_right_checksum(scene: Scene) -> None:
    """A bit is flipped in one frame of ten and the checksum made to fit."""

    def edit(data: bytearray, message: MapMessage) -> None:
        if data:
            bit = int(scene.rng.integers(8 * len(data)))
            data[bit >> 3] ^= 1 << (bit & 7)
            _repair(data, message)

    _edit(scene, 0.1, edit)


def _counter(message: MapMessage) -> tuple[Counter, Callable[[bytearray, int], None]] | None:
    for signal in message.signals:
        if signal.counter is not None and not signal.mux_values:
            return signal.counter, signal.layout.pack
    return None


def stuck_counter(scene: Scene) -> None:
    """Every counter stands still."""

    def edit(data: bytearray, message: MapMessage) -> None:
        found = _counter(message)
        if found is not None and len(data) >= message.length:
            found[1](data, found[0].low)
            _repair(data, message)

    _edit(scene, 1.0, edit)
    for bus in scene.sources:
        for word in scene.read_words(bus):
            message = scene.message(bus, word)
            if message is not None and _counter(message) is not None:
                scene.worthless.add((bus, word))


def jumping_counter(scene: Scene) -> None:
    """Counters jump anywhere in one frame of five."""

    def edit(data: bytearray, message: MapMessage) -> None:
        found = _counter(message)
        if found is not None and len(data) >= message.length:
            found[1](data, int(scene.rng.integers(found[0].low, found[0].high + 1)))
            _repair(data, message)

    _edit(scene, 0.2, edit)


def extreme_values(scene: Scene) -> None:
    """Signals stand at the ends of their bits in half of the frames."""

    def edit(data: bytearray, message: MapMessage) -> None:
        for signal in message.signals:
            if signal.counter is None and signal.checksum is None and not signal.is_multiplexer:
                if signal.mux_values or not signal.layout.fits(len(data)):
                    continue
                signal.layout.pack(data, int(scene.rng.choice(signal.layout.raw_range)))
        _repair(data, message)

    _edit(scene, 0.5, edit)


def unavailable_values(scene: Scene) -> None:
    """Signals that have a 'not available' or 'error' code show it."""

    def edit(data: bytearray, message: MapMessage) -> None:
        for signal in message.signals:
            codes = [*signal.not_available, *signal.error_codes]
            if codes and not signal.mux_values and signal.layout.fits(len(data)):
                signal.layout.pack(data, int(scene.rng.choice(codes)))
        _repair(data, message)

    _edit(scene, 1.0, edit)


def _crowd(scene: Scene, bus: int, share: float) -> None:
    """One more node repeats a frame of the strongest free identifier for a share of the bus's time."""
    traffic, data = scene.traffic[bus], scene.rng.integers(0, 256, 8, dtype=np.uint8).tobytes()
    word = _free_word(scene, bus)
    added = repeated_frame(word, data, traffic.rates, share, scene.start_ns, scene.end_ns)
    scene.traffic[bus] = merge(traffic, added)


def _target(scene: Scene) -> int:
    """A bus the plan sends on."""
    return int(scene.rng.choice(sorted({s.bus for s in scene.plan.sends} or {0})))


def _free_word(scene: Scene, bus: int) -> int:
    """A strong identifier that nobody uses."""
    used = set(np.unique(scene.traffic[bus].word).tolist())
    used |= {s.word for s in scene.plan.sends} | {r.word for r in scene.plan.receives} | scene.reads[bus]
    ranges = [(p.first, p.last) for p in scene.plan.passes]
    free = (w for w in range(1, 0x7FF) if w not in used and not any(a <= w <= b for a, b in ranges))
    return next(free, 0)


def full_load(scene: Scene) -> None:
    """A burst of another node fills the bus to 100 % for 300 ms."""
    bus = _target(scene)
    scene.end_ns = min(scene.end_ns, scene.start_ns + 300 * MS)
    scene.stops_sending = True
    _crowd(scene, bus, 1.0)


def babbling_node(scene: Scene) -> None:
    """A node sends the strongest identifier four fifths of the time."""
    bus = _target(scene)
    _crowd(scene, bus, 0.8)


def _clock_step(milliseconds: int) -> Fault:
    def step(scene: Scene) -> None:
        scene.steps_clock = True
        scene.steps_back = scene.steps_back or milliseconds < 0

        def prepare(simulation: Simulation, device: Device) -> None:
            def jump(t_ns: int) -> None:
                device.clock_us += milliseconds * 1000
                if device.powered:
                    device.due_ns = t_ns

            simulation.at(scene.start_ns, jump)

        scene.prepares.append(prepare)

    step.__doc__ = f"The translator's clock steps by {milliseconds} ms."
    return step


def clock_wrap(scene: Scene) -> None:
    """The microsecond clock wraps in the middle."""
    scene.clock_us = (1 << 32) - scene.start_ns // 1000


def bus_off(scene: Scene) -> None:
    """Every frame of the translator fails for 200 ms: it goes bus-off."""
    bus = _target(scene)
    scene.end_ns = min(scene.end_ns, scene.start_ns + 200 * MS)
    scene.stops_sending = True
    start, end = scene.start_ns, scene.end_ns

    def prepare(simulation: Simulation, device: Device) -> None:
        controller = device.controllers[bus]
        if controller is not None:
            controller.fails = lambda t: start <= t < end

    scene.prepares.append(prepare)


def _power(scene: Scene, from_ns: int, to_ns: int) -> None:
    scene.cuts_power = scene.stops_sending = True

    def prepare(simulation: Simulation, device: Device) -> None:
        simulation.at(from_ns, device.power_off)
        simulation.at(to_ns, lambda t: device.power_on(t, scene.make()))

    scene.prepares.append(prepare)


def power_cut(scene: Scene) -> None:
    """The translator loses power at any moment and starts again."""
    at = scene.start_ns + int(scene.rng.integers(0, SECOND))
    scene.end_ns = at + int(scene.rng.integers(20 * MS, 2 * SECOND))
    _power(scene, at, scene.end_ns)


def crank_dip(scene: Scene) -> None:
    """The supply dips: the translator restarts and the source buses are silent for 400 ms."""
    scene.end_ns = scene.start_ns + 400 * MS
    for bus in scene.sources:
        scene.traffic[bus] = pick(scene.traffic[bus], ~scene.within(scene.traffic[bus]))
    _power(scene, scene.start_ns + 20 * MS, scene.start_ns + 300 * MS)


def sleep_and_wake(scene: Scene) -> None:
    """All buses fall silent until the translator takes them for asleep, and wake again."""
    scene.end_ns = scene.start_ns + max(b.silent_us for b in scene.plan.buses) * 1000 + SECOND
    scene.stops_sending = True
    for bus in range(len(scene.traffic)):
        if len(scene.traffic[bus]):
            scene.traffic[bus] = pick(scene.traffic[bus], ~scene.within(scene.traffic[bus]))


def bus_errors(scene: Scene) -> None:
    """One frame of twenty is hit by an error and sent again."""
    scene.error_rate = 0.05


FAULTS: dict[str, Fault] = {
    "source bus silent": silent_bus,
    "one identifier silent": silent_identifier,
    "identifiers come and go": coming_and_going,
    "one identifier late": late_frames,
    "one identifier doubled": doubled_frames,
    "one identifier out of order": out_of_order,
    "1 % of frames lost": _lost(0.01),
    "10 % of frames lost": _lost(0.10),
    "50 % of frames lost": _lost(0.50),
    "bits flipped": flipped_bits,
    "bits flipped, checksum right": flipped_bits_right_checksum,
    "counters stuck": stuck_counter,
    "counters jumping": jumping_counter,
    "values at their ends": extreme_values,
    "values not available": unavailable_values,
    "burst at 100 % load": full_load,
    "babbling node": babbling_node,
    "clock steps forward": _clock_step(80),
    "clock steps back": _clock_step(-80),
    "clock wraps": clock_wrap,
    "translator bus-off": bus_off,
    "power cut": power_cut,
    "crank dip": crank_dip,
    "buses asleep and awake": sleep_and_wake,
    "bus errors": bus_errors,
}
"""Every fault by its name."""
