"""Proving room: compares safe answers with what the old sender sent and with what each role requires in doubt."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from swapbridge.core.roles import Role, find_role
from swapbridge.core.vocabulary import CRANK_WORDS, OFF_WORDS, ON_WORDS, PARK_NEUTRAL_WORDS
from swapbridge.core.vocabulary import plain as same_name
from swapbridge.proving.case import Case, SentSignal, Track
from swapbridge.proving.faults.campaign import DELICATE, DELICATE_ROLES
from swapbridge.proving.judges.behaviour.beyond import in_words
from swapbridge.proving.judges.recordings.driving import (
    RUNNING_RPM,
    BenchQuantity,
    engine_speed,
    held_at,
    vehicle_speed,
)
from swapbridge.proving.judges.recordings.evidence import LATE_PERIODS, LATE_S
from swapbridge.proving.judges.runs.timing import LONGEST_AGE_US
from swapbridge.proving.verdict import Check, check_of

NEAR = 0.05
"""Share of a signal's range that a request's safe answer may lie from what the old sender said most."""
HABITUAL = 0.5
HIGH, LOW, NONE = 0.6, 0.4, 0.05
"""Shares of a range: the high side, the low side, and nothing (any more of a pedal is a driver who is not there)."""
USUAL = 10
"""Percent at either end of what the old sender said: in doubt nothing between them, for it looks like health."""
FOLLOWS = 0.5
"""Correlation from which a number goes with the one that it is made from."""
TURNING_WORDS = frozenset({"running", "run", "on", "cranking", "crank", "start", "starting", "1", "true", "yes"})
LONGEST_HOLD_US = 2_000_000
LONGEST_RAMP_US = 5_000_000
"""A gear change takes half a second, and a request for it no longer (common practice, no source); this is ten times as
long, and no way out of one any more."""
MOVES_FAST = frozenset(
    {
        "engine_speed", "engine_running", "actual_torque", "requested_torque", "torque_without_intervention",
        "pedal_position", "throttle_position", "kick_down", "brake_switch", "vehicle_speed", "wheel_speed",
        "turbine_speed", "torque_reduction_request", "torque_increase_request", "cruise_torque_request",
        "park_neutral", "compressor_request", "key_state", "current_gear", "target_gear",
    }
)  # fmt: skip
"""What may be quite another thing two seconds later (common practice, no source)."""
WARNS = ("invalid or high", "invalid or low", "on")
"""Safe answers by which somebody is warned: their last good value may not stand in for them for long."""
GEARS = ("current_gear", "target_gear")
STANDS_KMH, AT_TIMES = 1.0, 0.02
"""A vehicle that stands, and the share of its standing in which a gear counts as one in which it may stand."""
_OTHER_WAY = {"invalid or high": "invalid or low", "invalid or low": "invalid or high"}
MADE_UP = frozenset({"speed", "rotational speed"})
"""Kinds of which a stated number in doubt is worse than none: somebody relies on it to brake, shift or lock a door."""


def judge_safe_answers(case: Case) -> list[Check]:
    """One check for each request, and for each signal whose role says what it must answer in doubt."""
    requests = {(m.bus, m.message.word) for m in case.made if m.role is not None and m.role.hazard == "torque request"}
    return [*_stated(case), *(check for made in case.made for check in _one(case, made, requests))]


def _stated(case: Case) -> Iterator[Check]:
    """What a person chose to say in doubt where no role tells what is safe: no recording holds a lost source."""
    for bus, name in enumerate(case.names):
        mine = [m for m in case.made if m.bus == bus and m.sources and m.safe_raw is not None and not m.is_open]
        chosen = [m for m in mine if m.role is None or m.role.fallback == "stated" or _not_held(m)]
        shown = [
            f"{m.label.removeprefix(f'{name}.')} {in_words(m.signal, m.safe_raw)}{_after(m)}"
            for m in chosen
            if m.safe_raw is not None
        ]
        if shown:
            yield check_of(
                "life", f"bus {name}", "stated for lost sources", False,
                f"{', '.join(shown)}: no role tells what is safe",
                "what harms nobody where its source is lost",
                "read each; give a role to whatever has one, so that it is judged", otherwise="open",
            )  # fmt: skip


def _after(made: SentSignal) -> str:
    """How long the last value goes on before, where that is long."""
    hold_us = _hold_us(made)
    if hold_us is None or 0 <= hold_us <= LONGEST_HOLD_US:
        return ""
    return f" after {hold_us / 1e6:g} s" if hold_us > 0 else " never"


def _hold_us(made: SentSignal) -> int | None:
    return made.rule.hold_us if made.rule.hold_us is not None else made.parent.hold_us


def _not_held(made: SentSignal) -> bool:
    """A number is stated for what otherwise stands still: zero is a false step of a total."""
    return made.role is not None and made.role.fallback == "last" and made.rule.fallback is not None


def _rests(case: Case, made: SentSignal, usual: int | None) -> Iterator[Check]:
    """While nothing is asked for, a live request says what the old sender said then; its scale shows there."""
    now = case.sent_track(made)
    if usual is None or now is None or not len(now.raw):
        return
    values, counts = np.unique(now.raw, return_counts=True)
    mine, (low, high) = int(values[counts.argmax()]), made.signal.layout.raw_range
    if counts.max() < HABITUAL * len(now.raw):
        return
    yield check_of(
        "life",
        made.label,
        "rests where it rested",
        abs(mine - usual) <= NEAR * (high - low),
        f"{in_words(made.signal, mine)} most of the time; the old sender {in_words(made.signal, usual)}",
        "what the old sender sent when it requested nothing",
        "correct scale, offset or unit of its source in the map, or its rule",
        otherwise="unproved",
    )


def _one(case: Case, made: SentSignal, requests: set[tuple[int, int]]) -> Iterator[Check]:
    raw = made.safe_raw
    if raw is None or not made.sources:
        return
    old = case.recorded_track(made.bus, made.message, made.signal)
    role = made.role
    yield from _ramp(case, made)
    asks = role is not None and role.hazard == "torque request"
    flag = made.signal.layout.length == 1 and (role is None or role.name in ("Status", "Value"))
    if old is not None and len(old.raw) > 20 and (asks or (flag and (made.bus, made.message.word) in requests)):
        values, counts = np.unique(old.raw, return_counts=True)
        usual, share = int(values[counts.argmax()]), float(counts.max() / len(old.raw))
        low, high = made.signal.layout.raw_range
        target = case.reference.targets[made.bus, made.message.word].signals.get(made.signal.name)
        if target is not None and (limits := target.limits()) is not None:
            usual = min(max(usual, limits[0]), limits[1])
        near = raw in made.signal.not_available or abs(raw - usual) <= NEAR * (high - low)
        if share >= HABITUAL:
            yield check_of(
                "life",
                made.label,
                "safe answer of a request",
                near if asks else raw == usual,
                f"{in_words(made.signal, raw)}; {100 * share:.0f} % of the time the old sender said "
                f"{in_words(made.signal, usual)}",
                "what the old sender sent when it requested nothing",
                f'set fallback = "{in_words(made.signal, usual)}" for it in the bridge file',
            )
            yield from _rests(case, made, usual if asks else None)
        return
    if role is None:
        return
    hold_us = _hold_us(made)
    delicate = role.hazard in DELICATE or role.alias in DELICATE_ROLES
    longest_us = LONGEST_AGE_US if delicate else LONGEST_HOLD_US
    way = _way(case, made, role)
    limited = role.alias in MOVES_FAST or way in WARNS
    if role.alias not in MOVES_FAST:
        longest_us = int(max(LATE_S * 1e6, LATE_PERIODS * _source_period_us(case, made)))
    if hold_us is not None and not 0 <= hold_us <= longest_us and limited:
        yield check_of(
            "life",
            made.label,
            "held without its source",
            False,
            "for good" if hold_us < 0 else f"{hold_us / 1e6:g} s",
            f"at most {longest_us / 1e6:g} s: after that it is out of date",
            "shorten hold_ms, so that its safe answer is given in time",
            otherwise="unproved" if 0 <= hold_us <= LONGEST_HOLD_US else "fail",
        )
    wanted = _wrong_way(made, raw, way) or _usual(case, made, raw, way, old) or _moving(case, made, raw, old)
    if wanted:
        yield check_of(
            "life",
            made.label,
            "safe answer of its role",
            False,
            f"{in_words(made.signal, raw)} in doubt",
            wanted,
            "leave its fallback out, so that the role decides, or state one on the safe side",
        )
    elif _made_up(made, raw, way):
        yield check_of(
            "life",
            made.label,
            "says that it does not know",
            False,
            f"{in_words(made.signal, raw)} in doubt, which looks like a measurement",
            "'not available', for which its layout has a code",
            "leave its fallback out, so that the role decides; or make sure that this number harms nobody",
            otherwise="open",
        )


def _made_up(made: SentSignal, raw: int, way: str) -> bool:
    """Whether a number stands in for one that its layout can call not available, on no side that is safe."""
    known = made.signal.not_available + made.signal.error_codes
    return way in ("invalid", "last") and bool(made.signal.not_available) and raw not in known


def _ramp(case: Case, made: SentSignal) -> Iterator[Check]:
    """How long the way to the safe answer may take at most: until then what is said is long out of date."""
    target = case.reference.targets[made.bus, made.message.word].signals.get(made.signal.name)
    safe = target.safe if target is not None else None
    if target is None or safe is None or not safe.ramp or made.role is None or made.role.alias not in MOVES_FAST:
        return
    low, high = target.allowed()
    us = float(max(abs(high - safe.raw), abs(low - safe.raw)) / safe.ramp) * case.bridge.step_us
    yield check_of(
        "life",
        made.label,
        "on the way to its safe answer",
        us <= LONGEST_RAMP_US,
        f"up to {us / 1e6:.3g} s",
        f"at most {LONGEST_RAMP_US / 1e6:g} s (common practice, no source)",
        "state a faster ramp in the bridge file",
    )


def _wrong_way(made: SentSignal, raw: int, way: str) -> str:
    """What a role's safe answer must be where this one is on the other side; "" where it is well."""
    signal = made.signal
    if raw in signal.not_available or raw in signal.error_codes:
        return ""
    word = same_name(signal.choices.get(raw, ""))
    if way in ("on", "off"):
        wrong = OFF_WORDS if way == "on" else ON_WORDS
        if word in wrong or (not word and signal.layout.length == 1 and bool(raw) != (way == "on")):
            return f"{way}: a lamp or switch in doubt (common practice, no source)"
    if way == "hold then zero" and (word in TURNING_WORDS or (not signal.choices and signal.physical(raw) != 0)):
        return "none once its hold time is over: whether the engine turns is unknown (common practice, no source)"
    if made.role is not None and made.role.alias == "key_state" and word in CRANK_WORDS:
        return "a key that is off or on: no cranking in doubt (common practice, no source)"
    if way == "in gear" and (word in PARK_NEUTRAL_WORDS or (not word and signal.layout.length == 1 and raw == 1)):
        return "in gear: park or neutral in doubt lets an engine start in gear (common practice, no source)"
    if way == "invalid" and made.role is not None and made.role.quantity in MADE_UP and signal.not_available:
        return (
            "'not available', for which its layout has a code: any number would be made up (common practice, no source)"
        )
    if way not in ("invalid or high", "invalid or low") or signal.choices or signal.layout.length < 6:
        return ""
    ends = signal.physical_range
    if signal.minimum is not None and signal.maximum is not None:
        ends = (signal.minimum, signal.maximum)
    if made.rule.limits is not None or ends[1] == ends[0]:
        return ""
    share = float((signal.physical(raw) - ends[0]) / (ends[1] - ends[0]))
    if way == "invalid or high" and share < HIGH:
        return "'not available', else the high side (common practice, no source)"
    if way == "invalid or low" and made.role is not None and made.role.alias == "pedal_position" and share > NONE:
        return "'not available', else released: nobody presses it in doubt (common practice, no source)"
    if way == "invalid or low" and share > LOW:
        return "'not available', else the low side (common practice, no source)"
    return ""


def _source_period_us(case: Case, made: SentSignal) -> float:
    """The longest period of its sources, by the map or as recorded."""
    periods = [0.0]
    for place in made.sources:
        track = case.track_of(place)
        if track is not None and len(track.time_s) > 1:
            periods.append(1e6 * float(np.median(np.diff(track.time_s))))
    return max(periods)


def _moving(case: Case, made: SentSignal, raw: int, old: Track | None) -> str:
    """In which gears a vehicle stands, where the one in doubt is none of them; "" where it is, or nobody knows.

    Who believes in fifth gear with the vehicle standing idles and limits its torque for one that is under way.
    """
    known = raw in made.signal.not_available or raw in made.signal.error_codes
    if made.role is None or made.role.alias not in GEARS or known or old is None:
        return ""
    speed = vehicle_speed(case, made.bus)
    if speed is None:
        return ""
    stands = old.raw[old.measured & (held_at(speed, old.time_s) < STANDS_KMH)]
    if len(stands) < 20:
        return ""
    values, counts = np.unique(stands, return_counts=True)
    usual = values[counts >= AT_TIMES * len(stands)].tolist()
    if raw in usual:
        return ""
    return f"a gear in which the vehicle stands: {', '.join(in_words(made.signal, value) for value in usual)}"


def _usual(case: Case, made: SentSignal, raw: int, way: str, old: Track | None) -> str:
    """What a number in doubt must not be: one that a sound engine says while it runs; "" where it is beyond these."""
    speed = engine_speed(case, made.bus)
    signal = made.signal
    if way not in _OTHER_WAY or speed is None or old is None or signal.choices or raw in signal.not_available:
        return ""
    runs = old.measured & (held_at(speed, old.time_s) > RUNNING_RPM)
    if runs.sum() < 20 or raw in signal.error_codes or signal.layout.length < 6:
        return ""
    low, high = np.percentile(old.values[runs], [USUAL, 100 - USUAL])
    says = float(signal.physical(raw))
    if low < high and (says < high if way == "invalid or high" else says > low):
        return f"beyond the {low:.4g} to {high:.4g} {signal.unit} that a sound engine mostly says, on the safe side"
    return ""


def _way(case: Case, made: SentSignal, role: Role) -> str:
    """The side on which its safe answer belongs: its role's, else that of the one quantity that it is made from.

    A needle that rises with a temperature is in doubt where it is when the temperature is: at the hot end.
    """
    if role.alias != "value" or len(made.sources) != 1:
        return role.fallback
    (place,) = made.sources
    source, sent = case.track_of(place), case.sent_track(made)
    way = find_role(source.signal.role).fallback if source is not None and source.signal.role else ""
    if source is None or sent is None or way not in _OTHER_WAY or not (sent.measured.any() and source.measured.any()):
        return role.fallback
    heard = held_at(BenchQuantity(source.time_s, source.values, source.measured), sent.time_s)
    use = sent.measured & ~np.isnan(heard)
    if use.sum() < 20 or np.ptp(heard[use]) == 0 or np.ptp(sent.values[use]) == 0:
        return role.fallback
    together = float(np.corrcoef(heard[use], sent.values[use])[0, 1])
    return role.fallback if abs(together) < FOLLOWS else way if together > 0 else _OTHER_WAY[way]
