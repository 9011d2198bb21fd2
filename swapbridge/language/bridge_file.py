"""Language room: the bridge file's content as values, each expression with its place in the file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from swapbridge.core.errors import RefusedError
from swapbridge.core.j1939 import J1939Name, NamePattern
from swapbridge.core.needs import Need
from swapbridge.language.places import FilePlace

LONGEST_REASON = 600


def shortened(reason: str) -> str:
    """A reason that quotes something endless, cut to what a person reads."""
    return reason if len(reason) <= LONGEST_REASON else f"{reason[:LONGEST_REASON]}..."


@dataclass(frozen=True, slots=True)
class Written:
    """An expression or name as written, and where it stands."""

    text: str
    place: FilePlace = field(compare=False, default=FilePlace(1, 1))


DANGEROUS, WRONG, MISSING = range(3)
"""Ranks of refusals, the worst first."""


class BridgeRefused(RefusedError):
    """A bridge file that can be read but must not be compiled as it is; `rank` says how bad it would be."""

    def __init__(self, message: str, rank: int = WRONG) -> None:
        super().__init__(message)
        self.rank = rank


@dataclass(frozen=True, slots=True)
class BusRule:
    """A bus: its map's file, speed, placement, and the modules of the map that are no longer on it."""

    name: str
    map_file: str
    bit_rate: int
    data_rate: int
    fd: bool
    placement: str
    absent: tuple[str, ...]
    holds_engine: bool | None
    place: FilePlace = field(compare=False)
    silent_us: int | None = None
    names: tuple[tuple[Written, J1939Name], ...] = ()
    """Addresses, or modules that have one, and the NAME under which the bridge claims each."""


@dataclass(frozen=True, slots=True)
class SignalOptions:
    """What the bridge file says about one source or target signal beyond its map."""

    range: tuple[Written, Written] | None = None
    invalid: tuple[int, ...] = ()
    reference: Written | None = None
    unit: str | None = None
    role: str = ""
    place: FilePlace = field(compare=False, default=FilePlace(1, 1))


@dataclass(frozen=True, slots=True)
class MessageOptions:
    """How a received message is judged."""

    message: Written
    max_age_us: int | None = None
    period_us: int | None = None
    recover: int | None = None
    first: int | None = None
    lost_ok: int | None = None
    verify: bool = True
    sender: Written | None = None
    sender_name: NamePattern | None = None
    """The J1939 NAME of its sender, whose address is followed."""
    signals: dict[str, SignalOptions] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reviewed:
    """That somebody looked at a learned rule: when, and the digest of what was looked at."""

    on: str
    digest: str


@dataclass(frozen=True, slots=True)
class Seen:
    """Where a learned rule's recordings were: (name of a source or "", lowest, highest), and their states."""

    ranges: tuple[tuple[str, Written, Written], ...] = ()
    states: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class SignalRule:
    """How one signal of a sent message is made; `seen` and `unreviewed` are for rules learned from recordings."""

    name: str
    value: Written
    fallback: Written | None
    role: str
    hold_us: int | None
    ramp: Written | None
    resolution: Written | None
    limits: tuple[Written, Written] | None
    reference: Written | None
    place: FilePlace = field(compare=False)
    seen: Seen = Seen()
    unreviewed: bool = False
    reviewed: Reviewed | None = None
    page: int | None = None
    """The page that it is for, where another page of the message makes the same signal otherwise."""


@dataclass(frozen=True, slots=True)
class PageRule:
    """What one page of a multiplexed message says otherwise than the others: its rest, and signals of its own."""

    page: int
    rest: str
    signals: tuple[SignalRule, ...]
    place: FilePlace = field(compare=False, default=FilePlace(1, 1))


@dataclass(frozen=True, slots=True)
class MessageRule:
    """How one message is sent, as the bridge file states it; None or empty for what the file leaves out.

    `open` names signals that nobody knows how to make ("rest" for the bits of no signal): their proof is left open.
    """

    message: Written
    signals: tuple[SignalRule, ...]
    place: FilePlace = field(compare=False)
    period_us: int | None = None
    on_arrival: tuple[Written, ...] = ()
    on_change: bool = False
    gap_us: int | None = None
    delay_us: int = 0
    states: tuple[str, ...] | None = None
    once: int = 0
    last_us: int = 0
    with_bus: bool = False
    on_request: bool = False
    network_management: bool | None = None
    when_stale: str = "fallback"
    hold_us: int | None = None
    mux: tuple[int, ...] | None = None
    rest: str = ""
    sender_gone: bool = False
    unreviewed: bool = False
    reviewed: Reviewed | None = None
    open: tuple[str, ...] = ()
    pages: tuple[PageRule, ...] = ()
    sender: Written | None = None
    receiver: Written | None = None
    """The J1939 address that a long message goes to; without it, everybody."""

    def for_page(self, page: int | None) -> MessageRule:
        """This rule as it is for one page of a multiplexed message."""
        own = next((p for p in self.pages if p.page == page), None)
        if own is None:
            return self
        named = {s.name: s for s in (*self.signals, *own.signals)}
        return replace(self, rest=own.rest or self.rest, signals=tuple(named.values()))


@dataclass(frozen=True, slots=True)
class PassRule:
    """Frames copied from a bus to another, or blocked: identifiers as (first word, last word)."""

    from_bus: str
    to_bus: str
    ranges: tuple[tuple[int, int], ...]
    block: bool
    new_word: int
    place: FilePlace = field(compare=False)


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Scan tool on one bus, engine computer on another: passed through, or service 01 answered from expressions."""

    mode: str
    tester: str
    engine: str
    answers: tuple[tuple[int, Written], ...]
    extended: bool
    place: FilePlace = field(compare=False)


@dataclass(frozen=True, slots=True)
class StateRules:
    """Expressions that select the states, and times."""

    key_on: Written | None = None
    crank: Written | None = None
    run: Written | None = None
    after_run_us: int = 0
    silent_us: int = 5_000_000
    wake_by: tuple[str, ...] | None = None
    place: FilePlace = field(compare=False, default=FilePlace(1, 1))


@dataclass(frozen=True, slots=True)
class CurveRule:
    """A named table: points (x, y) with units."""

    name: str
    x_unit: str
    y_unit: str
    points: tuple[tuple[Fraction, Fraction], ...]
    place: FilePlace = field(compare=False)


@dataclass(frozen=True, slots=True)
class BridgeFile:
    """Everything a bridge file says. `path` is for messages, and the maps that it names lie beside it."""

    path: str
    name: str
    step_us: int
    buses: tuple[BusRule, ...]
    units: dict[str, str]
    constants: dict[str, Written]
    values: dict[str, Written]
    curves: dict[str, CurveRule]
    sources: tuple[MessageOptions, ...]
    messages: tuple[MessageRule, ...]
    passes: tuple[PassRule, ...]
    diagnostics: Diagnostics | None
    states: StateRules
    needs_file: str = ""
    needs: tuple[Need, ...] | None = None
    pass_queue: int = 32
    digest: str = ""

    def refuse(self, place: FilePlace, reason: str, remedy: str, column: int = 1, rank: int = WRONG) -> BridgeRefused:
        """The error for something at a place of this file (column counts within the expression there)."""
        where = f"{self.path}:{place.line}:{place.column + column - 1}"
        return BridgeRefused(f"{where}: {shortened(reason)}; {remedy}", rank)

    def bus(self, name: str) -> BusRule | None:
        """The bus of that name, or None."""
        return next((b for b in self.buses if b.name == name), None)

    def map_files(self) -> dict[str, Path]:
        """The map files that it names (beside itself), by bus name."""
        return {bus.name: Path(self.path).parent / bus.map_file for bus in self.buses if bus.map_file}
