"""Proving room: compares the signals of maps with what was measured or switched beside the recordings.

Each role's signal is laid beside the stimulus channel of its own recording (heard and old frames), and what is sent
beside the channel of the recording that it was made from. So a wrong scale, offset, unit, sign, byte order or source
shows whatever map or rule it comes from.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from swapbridge.capture.stimulus import Channel
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import find_unit
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.expressions import Binary, Call, Node, Number, Unary
from swapbridge.proving.case import Case, Floats, SentSignal, Track
from swapbridge.proving.curves import thin
from swapbridge.proving.judges.maps.likeness import (
    FEWEST_STEPS,
    LEAST_RIGHT,
    Likeness,
    beside,
    find_kind,
    switched,
    unit_values,
)
from swapbridge.proving.judges.recordings.driving import channel_of
from swapbridge.proving.verdict import Check, DifferingCurve, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

GOES_WITH, STILL_GOES_WITH = 0.9, 0.5
"""Share of the time, at the state of the switch where it is least, that a signal takes its usual value there."""
LONGEST_SMOOTH_S = 0.2
"""Longest smoothing that a rule may do on purpose; beyond it a gearbox follows another engine than it has."""
SMOOTH_STEP_S = 0.02
LATER_S, SETTLES_S, LONGEST_LATE_S, FEWEST_CHANGES = 0.6, 0.4, 10.0, 3
"""A switch is told twice as late as notes are exact; notes may be early; what comes later still is another change."""
SMALL = 6
"""A signal of at most so many bits may be a state or a switch."""


def judge_recorded(case: Case) -> list[Check]:
    """One check a signal whose quantity was measured, heard or old: needs no run."""
    out: list[Check] = []
    used = _used(case)
    for number in range(len(case.names)):
        for message in case.maps[case.names[number]].messages:
            if (number, message.word) in used:
                for signal in message.signals:
                    out += _recorded(case, number, message, signal)
    return out


def judge_by_stimulus(case: Case) -> list[Check]:
    """One check a sent signal whose quantity was measured where it came from; one a sent switch."""
    out: list[Check] = []
    for made in case.made:
        out += _sent(case, made)
        out += _switch(case, made)
    return out


def _used(case: Case) -> set[tuple[int, int]]:
    sent = {(s.bus, s.word) for s in case.plan.sends if s.request is None}
    return sent | {(number, m.word) for number, m in case.heard}


def _measured_by(case: Case, bus: int, role: str) -> tuple[str, Channel] | None:
    """The numeric stimulus channel beside a bus's recording that measures a role."""
    alias = BY_NAME[role].alias if role in BY_NAME else ""
    if alias == "wheel_speed":
        alias = "vehicle_speed"
    if not alias:
        return None
    channel = channel_of(case, bus, alias)
    if channel is None or channel.texts or len(channel.time_s) < FEWEST_STEPS or not channel.unit:
        return None
    return alias, channel


def _recorded(case: Case, bus: int, message: MapMessage, signal: MapSignal) -> Iterator[Check]:
    found = _measured_by(case, bus, signal.role)
    track = case.recorded_track(bus, message, signal) if found is not None else None
    if found is None or track is None:
        return
    _, channel = found
    values = unit_values(case, bus, message.name, signal, track.values, channel.unit)
    label = f"{case.names[bus]}.{message.name}.{signal.name}"
    if values is None:
        yield check_of(
            "maps",
            label,
            "unit",
            False,
            f"{signal.unit or 'no unit'}, where {channel.name} was measured in {channel.unit}",
            "a unit of the same kind",
            "correct the signal's unit (and reference) in the map",
        )
        return
    likeness = beside(channel.time_s, channel.value, track, values, track.measured)
    if likeness is not None:
        yield _check(case, label, channel, likeness, track, values, "as recorded", _map_remedy(likeness))


def _map_remedy(likeness: Likeness) -> str:
    return "correct its scale, offset, unit, sign or bits in the map; `swapbridge guess` with the stimulus finds them"


def _sent(case: Case, made: SentSignal) -> Iterator[Check]:
    """What is sent beside the channel of the recording that it was made from."""
    role = made.role
    buses = {case.names.index(b) for b, _, _ in made.sources if b in case.names} - {made.bus}
    if role is None or len(buses) != 1 or made.is_open:
        return
    found = _measured_by(case, buses.pop(), role.name)
    track = case.sent_track(made)
    if found is None or track is None:
        return
    _, channel = found
    values = unit_values(case, made.bus, made.message.name, made.signal, track.values, channel.unit)
    if values is None:
        return
    safe = {f.fallback for v in made.send.variants for f in v.fields if f.name == made.signal.name}
    use = track.measured & ~np.isin(track.raw, [x for x in safe if x is not None])
    if not use.any():
        return
    stated_s = filter_s(case.bridge, made.tree)
    meant = smoothed(channel, stated_s) if stated_s <= LONGEST_SMOOTH_S else channel.value
    likeness = beside(channel.time_s, meant, track, values, use)
    if likeness is not None:
        remedy = "correct its rule in the bridge file, or the signals in the maps"
        yield _check(case, made.label, channel, likeness, track, values, "as sent", remedy)


def filter_s(bridge: BridgeFile, node: Node | None) -> float:
    """The longest time constant of the low-pass filters of a rule, in seconds; 0 without one."""
    if isinstance(node, Unary):
        return filter_s(bridge, node.operand)
    if isinstance(node, Binary):
        return max(filter_s(bridge, part) for part in (node.left, node.right, node.otherwise))
    if not isinstance(node, Call):
        return 0.0
    inner = max((filter_s(bridge, part) for part in node.arguments), default=0.0)
    over = node.arguments[1] if node.function == "lowpass" else None
    if isinstance(over, Number):
        return max(inner, float(find_unit(over.unit, bridge.units).convert(over.value, find_unit("s"))))
    return inner


def smoothed(channel: Channel, over_s: float) -> Floats:
    """The readings of a channel as a low-pass filter of that time constant passes them on."""
    if not over_s:
        return channel.value
    fine = np.arange(channel.time_s[0], channel.time_s[-1] + SMOOTH_STEP_S, SMOOTH_STEP_S)
    out = np.interp(fine, channel.time_s, channel.value)
    part, filtered = SMOOTH_STEP_S / (over_s + SMOOTH_STEP_S), float(out[0])
    for row, value in enumerate(out.tolist()):
        filtered += part * (value - filtered)
        out[row] = filtered
    back: Floats = np.interp(channel.time_s, fine, out)
    return back


def _check(
    case: Case, label: str, channel: Channel, likeness: Likeness, track: Track, values: object, when: str, remedy: str
) -> Check:
    fine = likeness.right >= LEAST_RIGHT and likeness.same_scale(find_kind(track.signal))
    measured = f"{100 * likeness.right:.0f} % of {likeness.samples:,} readings agree"
    if not fine:
        measured += f"; {likeness.cause()}"
        assert isinstance(values, np.ndarray)
        case.tables.curves.append(
            DifferingCurve(
                f"{label}, {when}",
                likeness.cause(),
                channel.unit,
                thin(channel.time_s, channel.value),
                thin(track.time_s[track.measured], values[track.measured]),
            )
        )
    return check_of(
        "maps",
        label,
        f"says {channel.name.replace('_', ' ')} {when}",
        fine,
        measured,
        f"the {channel.name.replace('_', ' ')} measured during the recording",
        remedy,
    )


def _switch(case: Case, made: SentSignal) -> Iterator[Check]:
    """A sent state or flag that went with a switch before must go with it now."""
    if made.signal.layout.length > SMALL or made.is_open or not made.sources:
        return
    drives = case.drives_of(made)
    buses = set(drives) - {made.bus}
    old, new = case.recorded_track(made.bus, made.message, made.signal), case.sent_track(made)
    if len(buses) != 1 or old is None or new is None:
        return
    source = buses.pop()
    for channel in _switches(case, made.bus):
        other = next((c for c in _switches(case, source) if c.name == channel.name), None)
        before = switched(channel, old)
        if other is None or before is None or before.right < GOES_WITH:
            continue
        words = dict(enumerate(channel.texts)) if channel.texts else {}
        theirs = {t: float(n) for n, t in enumerate(other.texts)}
        code = {k: theirs.get(words[int(k)], -1.0) if words else k for k in np.unique(channel.value).tolist()}
        table = {code[k]: v for k, v in before.value_at.items()}
        both = made.bus in drives  # two drives: they can be compared only where both are at the same word
        now = switched(other, _at_the_same(channel, code, other, new) if both else new, table)
        if now is None and not both:
            continue
        agreement = (
            f"{100 * now.right:.0f} % of the time"
            if now is not None
            else "it was hardly ever in the same state in both drives"
        )
        yield check_of(
            "maps",
            made.label,
            f"follows {channel.name.replace('_', ' ')}",
            now is not None and now.right >= STILL_GOES_WITH,
            f"{agreement}, where the old sender's followed it {100 * before.right:.0f} %",
            f"the same value at the same {channel.name.replace('_', ' ')} as the old sender said",
            "correct its rule, its choices, or the bits of its source in the map",
            otherwise="fail" if now is not None else "open",
        )
        if not both:
            yield from _late(made, channel, lateness(channel, old, before.value_at), lateness(other, new, table))


def _late(made: SentSignal, channel: Channel, before: float | None, now: float | None) -> Iterator[Check]:
    """What followed a switch follows it as soon as it did: both notes are equally exact."""
    if before is None or now is None:
        return
    name = channel.name.replace("_", " ")
    yield check_of(
        "maps",
        made.label,
        f"as soon as {name} changes",
        now <= before + LATER_S,
        f"{now:.1f} s after it, where the old sender's changed {before:.1f} s after it",
        f"no more than {LATER_S:g} s later than the old sender's",
        "shorten debounce, delay or hold in its rule",
    )


def lateness(channel: Channel, track: Track, value_at: dict[float, int]) -> float | None:
    """Seconds from a change of a switch to the value that goes with its new state, the median; None for a few only."""
    times, states = channel.time_s, channel.value
    found = []
    for row in range(1, len(times)):
        then, state = float(times[row]), float(states[row])
        end = float(times[row + 1]) if row + 1 < len(times) else np.inf
        value = value_at.get(state)
        if value is None or end - then < LATER_S or value_at.get(float(states[row - 1]), value) == value:
            continue
        a, b = np.searchsorted(track.time_s, (then - SETTLES_S, min(end, then + LONGEST_LATE_S)))
        there = np.flatnonzero(track.raw[a:b] == value)
        if b - a > 1 and track.time_s[a] < then and len(there):
            found.append(float(track.time_s[a + int(there[0])]) - then)
    return float(np.median(found)) if len(found) >= FEWEST_CHANGES else None


def _at_the_same(channel: Channel, code: dict[float, float], other: Channel, track: Track) -> Track:
    """A track without the moments at which two drives' switches are in different states; `code` turns the first's."""
    here = np.array([code[k] for k in channel.value.tolist()])
    a, b = (np.searchsorted(c.time_s, track.time_s, "right") - 1 for c in (channel, other))
    same = (a >= 0) & (b >= 0) & (here[np.maximum(a, 0)] == other.value[np.maximum(b, 0)])
    return Track(track.time_s[same], track.raw[same], track.measured[same], track.signal)


def _switches(case: Case, bus: int) -> Iterator[Channel]:
    """Stimulus channels of few states."""
    stimulus = case.stimuli.get(case.names[bus])
    for channel in stimulus.channels.values() if stimulus is not None else ():
        if not channel.unit and (channel.texts or len(np.unique(channel.value)) <= 2):
            yield channel
