"""Proving room: the bench: a plan's translator between its buses, with captures as the rest of the vehicles.

What the plan sends itself is taken out of the captures: on the host's bus those are the old engine computer's frames,
on the donor's those of the modules that stayed behind.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.buses import buses_of
from swapbridge.capture.capture import SENT, Capture
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress
from swapbridge.plan.j1939_node import OWN_MASK, own_words
from swapbridge.plan.plan import EXACT_MASK, Plan
from swapbridge.plan.program import Program
from swapbridge.proving.bench.frame_rows import Frames, frames_from
from swapbridge.proving.bench.long_message_rows import long_sent
from swapbridge.proving.bench.nodes import Controller, NodeUnderTest, Sent
from swapbridge.proving.bench.receivers import answer_words, receivers
from swapbridge.proving.bench.simulated_bus import SimulatedBus, Simulation
from swapbridge.proving.bench.traffic import Rates, Traffic, empty_traffic, pick, traffic_from, words_of

Ints = npt.NDArray[np.int64]
MakeTranslator = Callable[[], Program]
LATENCY_NS = 100_000
"""Time from a translator's decision to the frame standing in its controller, in every simulation."""
AFTER_NS = 1_500_000_000
"""How long a simulation goes on after the last recorded frame."""


@dataclass(frozen=True, slots=True)
class Bench:
    """A plan, and for each of its buses what was recorded there.

    Attributes
    ----------
    plan : Plan
    captures : tuple of Capture or None
        One a bus of the plan, that bus's frames only, in order of time.
    traffic : tuple of Traffic
        The same without what the plan sends, in simulated time.
    begin_ns : tuple of int
        Capture time that is simulated time 0, for each bus.
    until_ns : int
        When the simulation ends.
    reads : tuple of frozenset of int
        Words of each bus that are read: by the bridge file and its maps, whether the plan listens to them or not. Where
        no bridge file is at hand, what the plan listens to.
    """

    plan: Plan
    captures: tuple[Capture | None, ...]
    traffic: tuple[Traffic, ...]
    begin_ns: tuple[int, ...]
    until_ns: int
    reads: tuple[frozenset[int], ...]

    def recorded(self, bus: int, word: int) -> Frames | None:
        """The frames of one identifier as recorded, those the plan now sends included; None without any."""
        capture = self.captures[bus]
        if capture is None:
            return None
        rows = np.flatnonzero(words_of(capture) == word)
        if not len(rows):
            return None
        part = capture.select(rows)
        return Frames(part.time_ns - self.begin_ns[bus], part.length, part.payload)


def set_up(plan: Plan, captures: Mapping[str, Capture], reads: Sequence[frozenset[int]] | None = None) -> Bench:
    """Lay a plan and captures, named after its buses, on the bench.

    Parameters
    ----------
    reads : sequence of frozenset of int, optional
        Words of each bus that the bridge file reads (`Reference.words_read`). Without it a plan that listens to a
        wrong identifier makes faults miss and its judge as deaf as itself.

    Raises
    ------
    InputError
        A capture for a bus the plan does not have, none at all, or one without frames.
    """
    names = [b.name for b in plan.buses]
    for name in captures:
        if name not in names:
            raise InputError(f"the plan has no bus {name!r} for that capture: its buses are {', '.join(names)}")
    if not captures:
        raise InputError(f"there is nothing to prove with: give a capture for one of the buses {', '.join(names)}")
    mine: list[Capture | None] = []
    traffic, begins, ends = [], [], []
    for number, bus in enumerate(plan.buses):
        rates = Rates(bus.bit_rate, bus.data_rate)
        capture = captures.get(bus.name)
        if capture is None:
            mine.append(None)
            traffic.append(empty_traffic(rates))
            begins.append(0)
            continue
        capture = one_bus(capture, bus.name)
        if not len(capture):
            raise InputError(
                f"the capture of bus {bus.name} ({capture.source or 'unnamed'}) holds no frames: name another capture"
            )
        mine.append(capture)
        begins.append(int(capture.time_ns[0]) - 1_000_000)
        ends.append(int(capture.time_ns[-1]) - begins[-1])
        whole = traffic_from(capture, rates, begins[-1])
        sent = np.fromiter({s.word for s in plan.sends if s.bus == number} | answer_words(plan, number), np.int64)
        layer = np.fromiter((word for on, word in own_words(plan) if on == number), np.int64)
        traffic.append(pick(whole, ~np.isin(whole.word, sent) & ~np.isin(whole.word & OWN_MASK, layer)))
    if reads is None:
        reads = [frozenset(r.word for r in plan.receives if r.bus == number) for number in range(len(plan.buses))]
    return Bench(plan, tuple(mine), tuple(traffic), tuple(begins), max(ends) + AFTER_NS, tuple(reads))


def one_bus(capture: Capture, name: str) -> Capture:
    """The frames of one bus, in order of time, without those that the recorder itself sent."""
    rows = (capture.flags & SENT) == 0
    rows &= np.isin(capture.bus, list(buses_of(capture, [name], name)))
    out = capture.select(rows)
    order = np.argsort(out.time_ns, kind="stable")
    return replace(out.select(order), bus=np.zeros(len(out), np.uint8), bus_names=(name,))


@dataclass(slots=True)
class Run:
    """A finished simulation."""

    plan: Plan
    device: NodeUnderTest
    buses: list[SimulatedBus]
    until_ns: int

    def by_word(self) -> dict[tuple[int, int], list[Sent]]:
        """Sent frames by bus and word; J1939 messages of more than 8 bytes under their own, too."""
        out: dict[tuple[int, int], list[Sent]] = {}
        for sent in (*self.device.sent, *long_sent(self.plan, self.device.sent)):
            out.setdefault((sent.bus, sent.word), []).append(sent)
        return out


def frames_of(rows: list[Sent]) -> Frames:
    """Sent frames as columns."""
    return frames_from([s.received_ns for s in rows], [s.data for s in rows])


def simulate(
    bench: Bench,
    make: MakeTranslator,
    *,
    traffic: tuple[Traffic, ...] | None = None,
    until_ns: int | None = None,
    others: list[NodeUnderTest] | None = None,
    error_rate: float = 0.0,
    clock_us: int = 0,
    seed: int = 0,
    record: bool = True,
    prepare: Callable[[Simulation, NodeUnderTest], None] | None = None,
    progress: Progress | None = None,
) -> Run:
    """Let the translator run among the captures.

    Parameters
    ----------
    bench : Bench
    make : callable
        Makes the translator.
    traffic : tuple of Traffic, optional
        Instead of the bench's own, for faults.
    until_ns : int, optional
    others : list of Device
        More nodes, such as a model of a vehicle.
    error_rate, seed
        Errors on all buses, and where they fall.
    clock_us : int
        What the translator's clock shows at the start.
    record : bool
        Keep the translator's trace.
    prepare : callable
        Called with the simulation and the device before it runs, to inject faults.
    """
    plan, rng = bench.plan, random.Random(seed)
    traffic = traffic or bench.traffic
    buses = [
        SimulatedBus(
            b.name,
            t,
            fd=b.fd,
            bit_rate_switch=b.fd and b.data_rate != b.bit_rate,
            error_rate=error_rate,
            rng=random.Random(rng.random()),
        )
        for b, t in zip(plan.buses, traffic, strict=True)
    ]
    device = translator_device(plan, make(), clock_us=clock_us, record=record, reads=bench.reads)
    simulation = Simulation(buses, [device, *receivers(plan), *(others or [])])
    if prepare is not None:
        prepare(simulation, device)
    until = bench.until_ns if until_ns is None else until_ns
    simulation.run(until, progress)
    simulation.part()
    return Run(plan, device, buses, until)


def translator_device(
    plan: Plan, program: Program, *, clock_us: int = 0, record: bool = True, reads: Sequence[Collection[int]] = ()
) -> NodeUnderTest:
    """The translator as a node on every bus, with mailboxes: a newer frame takes a waiting one's place."""
    heard: list[Collection[int] | None] = [None] * len(plan.buses)
    controllers: list[Controller | None] = [Controller(replace=True) for _ in plan.buses]
    device = NodeUnderTest(
        "translator", program, heard, controllers, latency_ns=LATENCY_NS, clock_us=clock_us, record=record
    )
    device.idle_words = [
        indifferent_words(plan, number, reads[number] if reads else ()) for number in range(len(plan.buses))
    ]
    device.idle_after_ns = min((b.silent_us for b in plan.buses), default=100_000) * 250
    return device


def indifferent_words(plan: Plan, bus: int, reads: Collection[int] = ()) -> Callable[[int], bool]:
    """Whether a word on that bus means no more to the plan, nor to its judge (`reads`), than that the bus is awake."""
    words = {r.word for r in plan.receives if r.bus == bus}.union(reads)
    for send in plan.sends:
        if send.request is not None and send.request.bus == bus:
            words.update(send.request.words)
    ranges = [(p.first, p.last) for p in plan.passes if p.bus == bus and not p.block]

    groups = [r for r in plan.receives if r.bus == bus and r.mask != EXACT_MASK]

    node = any(c.bus == bus for c in plan.claims) or any(
        (r.long or r.sender_name) and r.bus == bus for r in plan.receives
    )

    def indifferent(word: int) -> bool:
        if node and word >> 31 and 0xEA <= word >> 16 & 0x3FF <= 0xEE:
            return False
        in_range = any(first <= word <= last for first, last in ranges)
        return word not in words and not in_range and not any(r.fits(word) for r in groups)

    return indifferent
