"""Proving room: the case that every judge looks at: a plan, what it was made from, and what came of it."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.core.engine_health import HealthSheet
from swapbridge.core.needs import Need
from swapbridge.core.progress import Progress
from swapbridge.core.roles import Role, find_role
from swapbridge.language.bridge_file import BridgeFile, MessageRule, SignalRule, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.expressions import Binary, Call, Name, Node, Unary
from swapbridge.plan.plan import Plan, Send
from swapbridge.proving.bench.bench import Bench, MakeTranslator, Run, frames_of, simulate
from swapbridge.proving.bench.frame_rows import Frames, unpack_column
from swapbridge.proving.bench.plant import Plant
from swapbridge.proving.faults.campaign import CampaignInputs, Runs
from swapbridge.proving.reference.exact_values import reserved
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.settled_groups import Settled
from swapbridge.proving.verdict import (
    Beyond,
    BusTime,
    Check,
    Coverage,
    DifferingCurve,
    EngineFigure,
    FaultRun,
    ResponseTime,
    SignalTime,
)
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
T = TypeVar("T")
SignalPlace = tuple[str, str, str]
"""Bus, message and signal."""


@dataclass(frozen=True, slots=True)
class Track:
    """One signal over time: (N,) seconds on the bench's clock, raw values, and which of them are measurements."""

    time_s: Floats
    raw: Ints
    measured: npt.NDArray[np.bool_]
    signal: MapSignal

    @property
    def values(self) -> Floats:
        """(N,) physical values in the map's unit."""
        return self.raw.astype(np.float64) * float(self.signal.scale) + float(self.signal.offset)


@dataclass(frozen=True, slots=True)
class SentSignal:
    """A sent signal: the rule that makes it, its map entry, and what the rule reads."""

    bus: int
    send: Send
    message: MapMessage
    signal: MapSignal
    rule: SignalRule
    parent: MessageRule
    tree: Node
    sources: frozenset[SignalPlace]
    functions: frozenset[str]

    @property
    def label(self) -> str:
        """Bus, message and signal, for people."""
        return f"{self.send.name}.{self.signal.name}"

    @property
    def role(self) -> Role | None:
        """What it is."""
        name = self.rule.role or self.signal.role
        return find_role(name) if name else None

    @property
    def safe_raw(self) -> int | None:
        """The raw value of its safe answer."""
        return next((f.fallback for v in self.send.variants for f in v.fields if f.name == self.signal.name), None)

    @property
    def is_open(self) -> bool:
        """The bridge file says that nobody knows how to make it."""
        return self.signal.name in self.parent.open


@dataclass(frozen=True, slots=True)
class Campaign:
    """Which faults are tried; `runs` gives what became of them, None where there are none."""

    runs: Runs | None = None
    thoroughness: str = "none"
    only: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Extras:
    """What some proofs have: a model of the swapped vehicle, checks from rooms above."""

    plant: Plant | None = None
    more_checks: Callable[[], Sequence[Check]] | None = None


@dataclass(slots=True)
class Tables:
    """What judges find beside their checks, for the report."""

    coverage: list[Coverage] = field(default_factory=list)
    signal_times: list[SignalTime] = field(default_factory=list)
    bus_times: list[BusTime] = field(default_factory=list)
    responses: list[ResponseTime] = field(default_factory=list)
    faults: list[FaultRun] = field(default_factory=list)
    curves: list[DifferingCurve] = field(default_factory=list)
    engines: list[EngineFigure] = field(default_factory=list)
    beyond: list[Beyond] = field(default_factory=list)


@dataclass
class Case:
    """All that a judge may look at.

    Attributes
    ----------
    plan, bridge, maps, needs
        What is proved, and what it was made from; J1939 groups are settled (`proving.settled_groups`).
    given : Settled
        Plan and maps as they were given.
    bench : Bench
        Plan and recordings on one clock.
    campaign_inputs : CampaignInputs
        What any further run needs.
    reference : Reference
        The exact twin, which has heard the whole run.
    unplugged : mapping of str to Capture
        By bus, recordings with the old engine computer unplugged.
    stimuli : mapping of str to StimulusTrack
        By bus, what was done to the vehicle, in seconds of the bench's clock.
    health : sequence of HealthSheet
        What is known of the engines beside the recordings.
    tables, checks
        What judges have found so far.
    known : dict
        What was worked out before: what it is ("old", "track", "form", "sent", "rate", "lost", "compiled"), bus, and of
        what.
    """

    plan: Plan
    bridge: BridgeFile
    maps: Mapping[str, SignalMap]
    needs: Sequence[Need]
    bench: Bench
    campaign_inputs: CampaignInputs
    reference: Reference
    make: MakeTranslator
    given: Settled
    unplugged: Mapping[str, Capture] = field(default_factory=dict)
    stimuli: Mapping[str, StimulusTrack] = field(default_factory=dict)
    health: Sequence[HealthSheet] = ()
    seed: int = 0
    campaign: Campaign = Campaign()
    extras: Extras = Extras()
    tables: Tables = field(default_factory=Tables)
    checks: list[Check] = field(default_factory=list)
    known: dict[tuple[Hashable, ...], Any] = field(default_factory=dict)
    progress: Progress = lambda share, words: None

    @cached_property
    def run(self) -> Run:
        """The recordings played to the translator, undisturbed."""
        return simulate(self.bench, self.make, seed=self.seed, progress=self.progress)

    @cached_property
    def names(self) -> list[str]:
        """Bus names by number."""
        return [b.name for b in self.plan.buses]

    @cached_property
    def sent(self) -> dict[tuple[int, int], Frames]:
        """What came through, by bus and word."""
        return {key: frames_of(rows) for key, rows in self.run.by_word().items()}

    @cached_property
    def heard(self) -> list[tuple[int, MapMessage]]:
        """Bus and map entry of every message that the bridge file reads."""
        out = []
        for number, words in enumerate(self.bench.reads):
            found = [m for m in self.maps[self.names[number]].messages if m.word in words]
            out += [(number, m) for m in found]
        return out

    @cached_property
    def made(self) -> list[SentSignal]:
        """Every sent signal that has a rule."""
        out = []
        for send in (s for s in self.plan.sends if s.request is None):
            bus = self.names[send.bus]
            message = self.maps[bus].by_word(send.word)
            for parent in self.bridge.messages:
                if message is None or parent.message.text != f"{bus}.{message.name}":
                    continue
                for rule in parent.signals:
                    signal = message.signal(rule.name)
                    if signal is not None:
                        sources, functions = reads(self.bridge, rule.value)
                        tree = parse_written(self.bridge, rule.value)
                        out.append(SentSignal(send.bus, send, message, signal, rule, parent, tree, sources, functions))
        return out

    def drives_of(self, made: SentSignal) -> frozenset[int]:
        """Buses in whose recordings a rule's values come about; each recording is a drive of its own.

        What asks for the translator's state depends on what selects the states.
        """
        places = set(made.sources)
        if "state" in made.functions:
            states = self.bridge.states
            for source in (states.key_on, states.crank, states.run):
                places |= reads(self.bridge, source)[0] if source is not None else set()
        return frozenset(self.names.index(bus) for bus, _, _ in places if bus in self.names)

    def once(self, key: tuple[Hashable, ...], work: Callable[[], T]) -> T:
        """What several judges ask for, worked out by the first of them."""
        if key not in self.known:
            self.known[key] = work()
        known: T = self.known[key]
        return known

    def old(self, bus: int, word: int) -> Frames | None:
        """An identifier as recorded, the old sender's frames included."""
        return self.once(("old", bus, word), lambda: self.bench.recorded(bus, word))

    def recorded_track(self, bus: int, message: MapMessage, signal: MapSignal) -> Track | None:
        """A signal as recorded; None without frames that hold it."""
        key = ("track", bus, message.word, signal.name)
        return self.once(key, lambda: track(self.old(bus, message.word), message, signal))

    def sent_track(self, made: SentSignal) -> Track | None:
        """A signal as the translator sent it."""
        word = made.message.word
        key = ("sent", made.bus, word, made.signal.name)
        return self.once(key, lambda: track(self.sent.get((made.bus, word)), made.message, made.signal))

    def track_of(self, place: SignalPlace) -> Track | None:
        """A source signal as recorded."""
        bus, name, signal_name = place
        message = self.maps[bus].message(name) if bus in self.maps else None
        signal = message.signal(signal_name) if message is not None else None
        if message is None or signal is None or bus not in self.names:
            return None
        return self.recorded_track(self.names.index(bus), message, signal)

    def by_role(self, bus: int, alias: str) -> Iterator[tuple[MapMessage, MapSignal]]:
        """Signals of a bus's map with a role."""
        role = find_role(alias).name
        for message in self.maps[self.names[bus]].messages:
            for signal in message.signals:
                if signal.role == role:
                    yield message, signal

    def role_track(self, bus: int, alias: str) -> Track | None:
        """The first recorded signal with a role that has frames."""
        for message, signal in self.by_role(bus, alias):
            found = self.recorded_track(bus, message, signal)
            if found is not None and found.measured.any():
                return found
        return None


def track(frames: Frames | None, message: MapMessage, signal: MapSignal) -> Track | None:
    """A signal over frames: those long enough and of its page."""
    if frames is None or not len(frames) or signal.is_float or signal.layout.length > 62:
        return None
    rows = frames.length > max(signal.layout.positions) // 8
    if signal.mux_values:
        page = next((s for s in message.signals if s.name == signal.mux_signal), None)
        if page is not None:
            rows &= np.isin(unpack_column(page.layout, frames.payload), signal.mux_values)
    if not rows.any():
        return None
    raw = unpack_column(signal.layout, frames.payload[rows])
    measured = ~np.isin(raw, list(reserved(signal)))
    return Track(frames.time_ns[rows] / 1e9, raw, measured, signal)


def reads(bridge: BridgeFile, written: Written) -> tuple[frozenset[SignalPlace], frozenset[str]]:
    """Signals that an expression reads, named values looked through, and the functions that it uses ("state" too).

    Parameters
    ----------
    bridge : BridgeFile
        The bridge file, for its named values.
    written : Written
        The expression.

    Returns
    -------
    tuple of (frozenset of SignalPlace, frozenset of str)
        Places of the signals, and names of the functions.
    """
    places: set[SignalPlace] = set()
    functions: set[str] = set()

    def walk(node: Node) -> None:
        if isinstance(node, Name):
            if len(node.parts) == 3:
                places.add((node.parts[0], node.parts[1], node.parts[2]))
            elif node.dotted == "state":
                functions.add("state")
            elif len(node.parts) == 1:
                known = bridge.constants.get(node.dotted) or bridge.values.get(node.dotted)
                if known is not None:
                    walk(parse_written(bridge, known))
        elif isinstance(node, Unary):
            functions.add(node.operator)
            walk(node.operand)
        elif isinstance(node, Binary):
            functions.add(node.operator)
            for part in (node.left, node.right, node.otherwise):
                if part is not None:
                    walk(part)
        elif isinstance(node, Call):
            functions.add(node.function)
            arguments = node.arguments[:1] if node.function == "table" and not node.pairs else node.arguments
            for part in (*arguments, *(x for pair in node.pairs for x in pair), *(x for _, x in node.options)):
                walk(part)
            if node.otherwise is not None:
                walk(node.otherwise)

    walk(parse_written(bridge, written))
    return frozenset(places), frozenset(functions)
