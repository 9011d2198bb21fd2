"""Proving room: the faults a translator must survive, as changes to a run: to recorded traffic, the node, its clock.

Each fault changes a `RunSetup` by itself; two faults are one after the other on the same one. All chance comes from its
generator, so that a seed gives the same run again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Checksum, Counter
from swapbridge.plan.plan import Plan
from swapbridge.plan.program import Program
from swapbridge.proving.bench.nodes import MS, SECOND, NodeUnderTest
from swapbridge.proving.bench.simulated_bus import Simulation
from swapbridge.proving.bench.traffic import Traffic, at_other_times, merge, pick, repeated_frame, with_payloads
from swapbridge.signalmap.signal_map import MapMessage, SignalMap

Ints = npt.NDArray[np.int64]
RowMask = npt.NDArray[np.bool_]
Prepare = Callable[[Simulation, NodeUnderTest], None]


@dataclass(slots=True)
class RunSetup:
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

    def prepare(self, simulation: Simulation, device: NodeUnderTest) -> None:
        """Everything that is done to a simulation before it runs."""
        for one in self.prepares:
            one(simulation, device)

    def within(self, traffic: Traffic) -> RowMask:
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


Fault = Callable[[RunSetup], None]


def silent_bus(setup: RunSetup) -> None:
    """Every frame of one source bus is missing."""
    bus = setup.any_source()
    traffic = setup.traffic[bus]
    setup.traffic[bus] = pick(traffic, ~setup.within(traffic))
    setup.worthless.update((bus, word) for word in setup.read_words(bus))


def silent_identifier(setup: RunSetup) -> None:
    """One identifier that is read is missing."""
    bus = setup.any_source()
    traffic, word = setup.traffic[bus], setup.any_word(bus)
    setup.traffic[bus] = pick(traffic, ~(setup.within(traffic) & (traffic.word == word)))
    setup.worthless.add((bus, word))


def coming_and_going(setup: RunSetup) -> None:
    """Every identifier that is read falls silent and comes back again and again, each at its own times.

    Silences of 2 to 20 periods lie on both sides of the usual age limits, and the stretches between them on both sides
    of the good frames that make a source count again.
    """
    last = max((int(t.release_ns[-1]) for t in setup.traffic if len(t)), default=0)
    setup.end_ns = max(setup.end_ns, last - 3 * SECOND)
    for bus in setup.sources:
        traffic = setup.traffic[bus]
        stays = np.ones(len(traffic), bool)
        for word in setup.read_words(bus):
            rows = np.flatnonzero(traffic.word == word)
            times = traffic.release_ns[rows]
            period = int(np.median(np.diff(times))) if len(rows) > 1 else SECOND
            at = setup.start_ns
            while at < setup.end_ns:
                at += int(setup.rng.uniform(0, 10) * period)
                until = min(at + int(setup.rng.uniform(2, 20) * period), setup.end_ns)
                stays[rows[(times >= at) & (times < until)]] = False
                at = until + MS
        setup.traffic[bus] = pick(traffic, stays)


def late_frames(setup: RunSetup) -> None:
    """One identifier comes up to 80 ms late."""
    bus = setup.any_source()
    traffic, word = setup.traffic[bus], setup.any_word(bus)
    rows = setup.within(traffic) & (traffic.word == word)
    delay = np.where(rows, setup.rng.integers(0, 80 * MS, len(traffic)), 0)
    # of one identifier, order is kept: a sender that is late does not overtake itself
    release = traffic.release_ns + delay
    chosen = np.flatnonzero(traffic.word == word)
    release[chosen] = np.maximum.accumulate(release[chosen])
    setup.traffic[bus] = at_other_times(traffic, release, np.arange(len(traffic)))


def doubled_frames(setup: RunSetup) -> None:
    """One identifier comes twice each time."""
    bus = setup.any_source()
    traffic, word = setup.traffic[bus], setup.any_word(bus)
    again = np.flatnonzero(setup.within(traffic) & (traffic.word == word))
    rows = np.concatenate([np.arange(len(traffic)), again])
    release = np.concatenate([traffic.release_ns, traffic.release_ns[again] + 300_000])
    setup.traffic[bus] = at_other_times(traffic, release, rows)


def out_of_order(setup: RunSetup) -> None:
    """Neighbouring frames of one identifier change places."""
    bus = setup.any_source()
    traffic, word = setup.traffic[bus], setup.any_word(bus)
    chosen = np.flatnonzero(setup.within(traffic) & (traffic.word == word))
    pairs = len(chosen) // 2
    payload = traffic.payload.copy()
    first, second = chosen[0 : 2 * pairs : 2], chosen[1 : 2 * pairs : 2]
    payload[first], payload[second] = traffic.payload[second], traffic.payload[first]
    setup.traffic[bus] = with_payloads(traffic, payload)


def _lost(share: float) -> Fault:
    def lost(setup: RunSetup) -> None:
        for bus in setup.sources:
            traffic = setup.traffic[bus]
            gone = setup.within(traffic) & (setup.rng.random(len(traffic)) < share)
            setup.traffic[bus] = pick(traffic, ~gone)

    lost.__doc__ = f"{share:.0%} of the frames of all source buses are lost."
    return lost


def _edit(setup: RunSetup, share: float, edit: Callable[[bytearray, MapMessage], None]) -> None:
    """Change the payload of a share of the frames that are read, on every source bus."""
    for bus in setup.sources:
        traffic = setup.traffic[bus]
        words = np.array(setup.read_words(bus), np.int64)
        rows = setup.within(traffic) & np.isin(traffic.word, words) & (setup.rng.random(len(traffic)) < share)
        payload = traffic.payload.copy()
        for row in np.flatnonzero(rows).tolist():
            message = setup.message(bus, int(traffic.word[row]))
            if message is None:
                continue
            data = bytearray(payload[row, : traffic.length[row]].tobytes())
            edit(data, message)
            payload[row, : len(data)] = list(data)
        setup.traffic[bus] = with_payloads(traffic, payload)


def repair(data: bytearray, message: MapMessage) -> None:
    """Make the checksum right again."""
    checksum = _checksum(message)
    if checksum is not None and len(data) >= message.length:
        checksum.insert(data)


def _checksum(message: MapMessage) -> Checksum | None:
    return next((s.checksum for s in message.signals if s.checksum is not None), None)


def flipped_bits(setup: RunSetup) -> None:
    """A bit is flipped in one frame of ten."""

    def edit(data: bytearray, message: MapMessage) -> None:
        if data:
            bit = int(setup.rng.integers(8 * len(data)))
            data[bit >> 3] ^= 1 << (bit & 7)

    _edit(setup, 0.1, edit)


def flipped_bits_right_checksum(setup: RunSetup) -> None:
    """A bit is flipped in one frame of ten and the checksum made to fit."""

    def edit(data: bytearray, message: MapMessage) -> None:
        if data:
            bit = int(setup.rng.integers(8 * len(data)))
            data[bit >> 3] ^= 1 << (bit & 7)
            repair(data, message)

    _edit(setup, 0.1, edit)


def _counter(message: MapMessage) -> tuple[Counter, Callable[[bytearray, int], None]] | None:
    for signal in message.signals:
        if signal.counter is not None and not signal.mux_values:
            return signal.counter, signal.layout.pack
    return None


def stuck_counter(setup: RunSetup) -> None:
    """Every counter stands still."""

    def edit(data: bytearray, message: MapMessage) -> None:
        found = _counter(message)
        if found is not None and len(data) >= message.length:
            found[1](data, found[0].low)
            repair(data, message)

    _edit(setup, 1.0, edit)
    for bus in setup.sources:
        for word in setup.read_words(bus):
            message = setup.message(bus, word)
            if message is not None and _counter(message) is not None:
                setup.worthless.add((bus, word))


def jumping_counter(setup: RunSetup) -> None:
    """Counters jump anywhere in one frame of five."""

    def edit(data: bytearray, message: MapMessage) -> None:
        found = _counter(message)
        if found is not None and len(data) >= message.length:
            found[1](data, int(setup.rng.integers(found[0].low, found[0].high + 1)))
            repair(data, message)

    _edit(setup, 0.2, edit)


def extreme_values(setup: RunSetup) -> None:
    """Signals stand at the ends of their bits in half of the frames."""

    def edit(data: bytearray, message: MapMessage) -> None:
        for signal in message.signals:
            if signal.counter is None and signal.checksum is None and not signal.is_multiplexer:
                if signal.mux_values or not signal.layout.fits(len(data)):
                    continue
                signal.layout.pack(data, int(setup.rng.choice(signal.layout.raw_range)))
        repair(data, message)

    _edit(setup, 0.5, edit)


def unavailable_values(setup: RunSetup) -> None:
    """Signals that have a 'not available' or 'error' code show it."""

    def edit(data: bytearray, message: MapMessage) -> None:
        for signal in message.signals:
            codes = [*signal.not_available, *signal.error_codes]
            if codes and not signal.mux_values and signal.layout.fits(len(data)):
                signal.layout.pack(data, int(setup.rng.choice(codes)))
        repair(data, message)

    _edit(setup, 1.0, edit)


def _crowd(setup: RunSetup, bus: int, share: float) -> None:
    """One more node repeats a frame of the strongest free identifier for a share of the bus's time."""
    traffic, data = setup.traffic[bus], setup.rng.integers(0, 256, 8, dtype=np.uint8).tobytes()
    word = _free_word(setup, bus)
    added = repeated_frame(word, data, traffic.rates, share, setup.start_ns, setup.end_ns)
    setup.traffic[bus] = merge(traffic, added)


def _target(setup: RunSetup) -> int:
    """A bus the plan sends on."""
    return int(setup.rng.choice(sorted({s.bus for s in setup.plan.sends} or {0})))


def _free_word(setup: RunSetup, bus: int) -> int:
    """A strong identifier that nobody uses."""
    used = set(np.unique(setup.traffic[bus].word).tolist())
    used |= {s.word for s in setup.plan.sends} | {r.word for r in setup.plan.receives} | setup.reads[bus]
    ranges = [(p.first, p.last) for p in setup.plan.passes]
    free = (w for w in range(1, 0x7FF) if w not in used and not any(a <= w <= b for a, b in ranges))
    return next(free, 0)


def full_load(setup: RunSetup) -> None:
    """A burst of another node fills the bus to 100 % for 300 ms."""
    bus = _target(setup)
    setup.end_ns = min(setup.end_ns, setup.start_ns + 300 * MS)
    setup.stops_sending = True
    _crowd(setup, bus, 1.0)


def babbling_node(setup: RunSetup) -> None:
    """A node sends the strongest identifier four fifths of the time."""
    bus = _target(setup)
    _crowd(setup, bus, 0.8)


def _clock_step(milliseconds: int) -> Fault:
    def step(setup: RunSetup) -> None:
        setup.steps_clock = True
        setup.steps_back = setup.steps_back or milliseconds < 0

        def prepare(simulation: Simulation, device: NodeUnderTest) -> None:
            def jump(t_ns: int) -> None:
                device.clock_us += milliseconds * 1000
                if device.powered:
                    device.due_ns = t_ns

            simulation.at(setup.start_ns, jump)

        setup.prepares.append(prepare)

    step.__doc__ = f"The translator's clock steps by {milliseconds} ms."
    return step


def clock_wrap(setup: RunSetup) -> None:
    """The microsecond clock wraps in the middle."""
    setup.clock_us = (1 << 32) - setup.start_ns // 1000


def bus_off(setup: RunSetup) -> None:
    """Every frame of the translator fails for 200 ms: it goes bus-off."""
    bus = _target(setup)
    setup.end_ns = min(setup.end_ns, setup.start_ns + 200 * MS)
    setup.stops_sending = True
    start, end = setup.start_ns, setup.end_ns

    def prepare(simulation: Simulation, device: NodeUnderTest) -> None:
        controller = device.controllers[bus]
        if controller is not None:
            controller.fails = lambda t: start <= t < end

    setup.prepares.append(prepare)


def _power(setup: RunSetup, from_ns: int, to_ns: int) -> None:
    setup.cuts_power = setup.stops_sending = True

    def prepare(simulation: Simulation, device: NodeUnderTest) -> None:
        simulation.at(from_ns, device.power_off)
        simulation.at(to_ns, lambda t: device.power_on(t, setup.make()))

    setup.prepares.append(prepare)


def power_cut(setup: RunSetup) -> None:
    """The translator loses power at any moment and starts again."""
    at = setup.start_ns + int(setup.rng.integers(0, SECOND))
    setup.end_ns = at + int(setup.rng.integers(20 * MS, 2 * SECOND))
    _power(setup, at, setup.end_ns)


def crank_dip(setup: RunSetup) -> None:
    """The supply dips: the translator restarts and the source buses are silent for 400 ms."""
    setup.end_ns = setup.start_ns + 400 * MS
    for bus in setup.sources:
        setup.traffic[bus] = pick(setup.traffic[bus], ~setup.within(setup.traffic[bus]))
    _power(setup, setup.start_ns + 20 * MS, setup.start_ns + 300 * MS)


def sleep_and_wake(setup: RunSetup) -> None:
    """All buses fall silent until the translator takes them for asleep, and wake again."""
    setup.end_ns = setup.start_ns + max(b.silent_us for b in setup.plan.buses) * 1000 + SECOND
    setup.stops_sending = True
    for bus in range(len(setup.traffic)):
        if len(setup.traffic[bus]):
            setup.traffic[bus] = pick(setup.traffic[bus], ~setup.within(setup.traffic[bus]))


def bus_errors(setup: RunSetup) -> None:
    """One frame of twenty is hit by an error and sent again."""
    setup.error_rate = 0.05


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
