"""Proving room: warnings are tried: with the fault that each warns of, it must warn.

Recordings come from healthy engines, so a rule that only looks like one (times zero, capped below the hot end, a total
of time) agrees with all of them. Here what the rule measures says the worst while the engine runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from swapbridge.core.errors import InputError
from swapbridge.core.roles import BY_NAME, WARNED_BY
from swapbridge.core.units import find_unit
from swapbridge.core.vocabulary import ON_WORDS
from swapbridge.core.vocabulary import plain as same_name
from swapbridge.proving.bench.bench import simulate
from swapbridge.proving.bench.excerpt import LEAD_NS, cut
from swapbridge.proving.bench.frame_rows import carries, fields_of
from swapbridge.proving.bench.nodes import SECOND, Sent
from swapbridge.proving.bench.traffic import Traffic, with_payloads
from swapbridge.proving.case import Case, SentSignal, SignalPlace
from swapbridge.proving.faults.faults import repair
from swapbridge.proving.judges.maps.likeness import says_on
from swapbridge.proving.judges.recordings.driving import RUNNING_RPM, engine_speed, held_at
from swapbridge.proving.judges.runs.silence import busy_moment
from swapbridge.proving.reference.exact_values import reserved
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

WORST = {"oil_pressure": (0.0, "kPa"), "coolant_temperature": (130.0, "degC"), "module_voltage": (9.0, "V")}
"""What a quantity says when its warning is due (common practice, no source)."""
HOT_DEGC = 110.0
"""A needle that shows less does not show an engine at 130 degC."""
PIECE_S, HEALTHY_S = 14, 2
"""How long the fault is tried, and how long before it all is well."""


@dataclass(frozen=True, slots=True)
class _WarningTrial:
    """A source that says the worst: its message, its signal, the raw value."""

    bus: int
    message: MapMessage
    signal: MapSignal
    raw: int


def judge_warnings(case: Case) -> list[Check]:
    """One check for each warning whose source can say the worst."""
    wanted = [(made, trials) for made in case.made if (trials := _trials(case, made))]
    if not wanted:
        return []
    trials = [t for _, some in wanted for t in some]
    at, piece = _stretch(case, {t.bus for t in trials})
    traffic = _tried(case, trials, at, piece)
    run = simulate(case.bench, case.make, traffic=traffic, until_ns=LEAD_NS + piece, record=False)
    sent = run.by_word()
    out: list[Check] = []
    ran = _ran(case, sorted({t.bus for t in trials}), (at + piece) / 1e9)
    for made, some in wanted:
        out += _judged(case, ran, made, some, sent.get((made.bus, made.message.word), []))
    return out


def warning_alias(made: SentSignal) -> str:
    """The warning that a sent signal is, by its map or else by its rule; "" where it is none."""
    names = (made.signal.role, made.rule.role)
    aliases = [BY_NAME[n].alias for n in names if n in BY_NAME]
    return next((a for a in aliases if a in WARNED_BY), "")


def _trials(case: Case, made: SentSignal) -> list[_WarningTrial]:
    alias = warning_alias(made)
    found = [_trial(case, place, WARNED_BY[alias]) for place in sorted(made.sources)] if alias else []
    return [t for t in found if t is not None and (case.bench.traffic[t.bus].word == t.message.word).any()]


def _trial(case: Case, place: SignalPlace, roles: frozenset[str]) -> _WarningTrial | None:
    bus, name, signal_name = place
    message = case.maps[bus].message(name) if bus in case.maps else None
    signal = message.signal(signal_name) if message is not None else None
    if message is None or signal is None or signal.is_float:
        return None
    options = next((o for o in case.bridge.sources if o.message.text == f"{bus}.{name}"), None)
    own = options.signals[signal_name].role if options is not None and signal_name in options.signals else ""
    role = BY_NAME.get(own or signal.role)
    if role is None or role.alias not in roles:
        return None
    raw = _worst_raw(case, signal, role.alias)
    return None if raw is None else _WarningTrial(case.names.index(bus), message, signal, raw)


def _worst_raw(case: Case, signal: MapSignal, alias: str) -> int | None:
    """The raw value of the worst case, as near as the signal can give it; None where the map does not show it."""
    if alias not in WORST:
        on = [raw for raw, text in signal.choices.items() if same_name(text) in ON_WORDS]
        return on[0] if len(on) == 1 else 1 if not signal.choices and signal.layout.length == 1 else None
    value, unit = WORST[alias]
    try:
        scale, shift = find_unit(unit).conversion(find_unit(signal.unit, case.bridge.units))
    except InputError:
        return None
    physical = value * float(scale) + float(shift)
    if signal.minimum is not None and signal.maximum is not None:
        physical = min(max(physical, float(signal.minimum)), float(signal.maximum))
    low, high = signal.layout.raw_range
    raw = min(max(round((physical - float(signal.offset)) / float(signal.scale)), low), high)
    towards = 1 if raw == low else -1
    codes = reserved(signal)
    while raw in codes and low <= raw + towards <= high:
        raw += towards
    return raw


def _stretch(case: Case, buses: set[int]) -> tuple[int, int]:
    """Where the engine runs, and how long all sources go on from there: a source that stops gives no answer."""
    at = max(LEAD_NS, min(busy_moment(case.bench, bus) for bus in buses) - PIECE_S * SECOND)
    lasts = min(int(case.bench.traffic[bus].start_ns[-1]) for bus in buses)
    return at, min(PIECE_S * SECOND, lasts - at)


def _tried(case: Case, trials: list[_WarningTrial], at: int, piece: int) -> tuple[Traffic, ...]:
    """The wake-up, then a stretch of running engine in which every source soon says the worst."""
    out = []
    for bus, whole in enumerate(case.bench.traffic):
        traffic = cut(whole, LEAD_NS, at, piece) if len(whole) else whole
        mine = [t for t in trials if t.bus == bus]
        if mine and len(traffic):
            payload = traffic.payload.copy()
            late = traffic.release_ns >= LEAD_NS + HEALTHY_S * SECOND
            for row in np.flatnonzero(late & np.isin(traffic.word, [t.message.word for t in mine])).tolist():
                data = bytearray(payload[row, : traffic.length[row]].tobytes())
                of_row = [t for t in mine if t.message.word == traffic.word[row]]
                for trial in of_row:
                    if carries(trial.message, trial.signal.name, bytes(data)):
                        trial.signal.layout.pack(data, trial.raw)
                repair(data, of_row[0].message)
                payload[row, : len(data)] = list(data)
            traffic = with_payloads(traffic, payload)
        out.append(traffic)
    return tuple(out)


def _ran(case: Case, buses: list[int], at_s: float) -> bool:
    """Whether an engine ran at the end of the stretch, as far as any source's bus shows: some rules wait for that."""
    speeds = [speed for bus in buses if (speed := engine_speed(case, bus)) is not None]
    near = np.array([at_s - 2.0, at_s - 1.0, at_s])
    return any(bool(np.nanmax(np.r_[0.0, held_at(speed, near)]) > RUNNING_RPM) for speed in speeds)


def _judged(case: Case, ran: bool, made: SentSignal, trials: list[_WarningTrial], sent: list[Sent]) -> Iterator[Check]:
    values = [made.signal.layout.unpack(s.data) for s in sent if carries(made.message, made.signal.name, s.data)]
    if not values:
        return
    causes = " and ".join(
        f"{case.names[t.bus]}.{t.message.name}.{t.signal.name} at {_shown(t.signal, t.raw)}" for t in trials
    )
    yield check_of(
        "faults", made.label, "warns", _is_alarmed(case, made, values[-1]),
        f"with {causes} it says {_shown(made.signal, values[-1])}",
        "its warning, or its safe answer, while the engine runs with that fault",
        'make it follow what it warns of, however high or low that goes, or send it alarmed: value = "invalid"'
        if ran else "record it with the engine running, longer", otherwise="fail" if ran else "unproved",
    )  # fmt: skip


def _is_alarmed(case: Case, made: SentSignal, raw: int) -> bool:
    signal = made.signal
    fallback = {f.fallback for f in fields_of(made.send) if f.name == signal.name}
    if raw in reserved(signal) or raw in fallback:
        return True
    if warning_alias(made) != "coolant_temperature":
        return says_on(signal, raw)
    try:
        scale, shift = find_unit(signal.unit, case.bridge.units).conversion(find_unit("degC"))
    except InputError:
        return True  # no temperature: the meaning of its scale is not known
    top = signal.maximum if signal.maximum is not None else signal.physical_range[1]
    hottest, now = (float(v) * float(scale) + float(shift) for v in (top, signal.physical(raw)))
    return now >= min(HOT_DEGC, hottest)


def _shown(signal: MapSignal, raw: int) -> str:
    name = signal.choices.get(raw)
    return f"'{name}'" if name else f"{float(signal.physical(raw)):g} {signal.unit}".rstrip()
