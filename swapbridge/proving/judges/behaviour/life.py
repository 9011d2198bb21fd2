"""Proving room: what moved in the old sender's frames must move in the translator's, as often and at the right times.

A frame of the right form may be dead: constants where a module expects a measurement. Bits that moved and stand still,
states that come in the wrong state of the engine, signals that say only their safe answer or rest on a limit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from swapbridge.language.constants import constant
from swapbridge.plan.plan import Send
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.case import Case, SentSignal, Track
from swapbridge.proving.judges.behaviour.beyond import in_words, safe_answer
from swapbridge.proving.judges.frames.form import bit_places
from swapbridge.proving.judges.maps.likeness import find_kind, unit_values
from swapbridge.proving.judges.recordings.driving import (
    CRANKING_RPM,
    RUNNING_RPM,
    BenchQuantity,
    engine_speed,
    held_at,
    quantity,
)
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

FEW = 3
"""Frames in which a bit was each way before it counts as one that moves."""
SAFE_TOO_OFTEN, SAFE_BEFORE = 0.5, 0.1
CLIPPED, CLIPPED_STEPS = 0.15, 3
SETTLED, KEPT = 0.9, 0.3
"""Shares of the time in an engine state: a value with the first share before needs at least the second now."""
FLAG_APART, TOGETHER = 0.5, 0.5
NEW_CODE = 0.05
ENOUGH, LONG_ENOUGH_S = 30, 3.0
"""Frames and time in a state that are enough to compare; in a second only what is always so, and now never, shows."""
CODES_BITS = 6
MOST_GEARS_MORE = 4
STILL = {
    "engine_speed": ("engine_speed", 1.0, "rpm", 25.0),
    "vehicle_speed": ("vehicle_speed", 0.5, "km/h", 2.0),
    "actual_torque": ("engine_speed", 1.0, "Nm", 2.0),
}
"""What is zero at rest: by which speed, and under what of it; unit, and the value allowed then."""
TORQUE_STEP = 0.01
"""Of the most torque: the coarsest step in which a torque is stated (SAE J1939-71, SPN 513: 1 %)."""
ENGINE_COUNTS = frozenset({"cylinder", "cylinders", "displacement"})
"""Words for numbers that say what an engine is."""
SHAPING = frozenset(
    {"table", "choose", "lookup", "first_valid", "lowpass", "rate_limit", "min", "max", "+", "-", "*", "/"}
)


def judge_life(case: Case) -> list[Check]:
    """One check a message for its bits; more for each signal that behaves otherwise than before."""
    out: list[Check] = []
    for send in (s for s in case.plan.sends if s.request is None):
        message = case.maps[case.names[send.bus]].by_word(send.word)
        old, new = case.old(send.bus, send.word), case.sent.get((send.bus, send.word))
        if message is None or old is None or new is None:
            continue
        made = {m.signal.name: m for m in case.made if (m.bus, m.message.word) == (send.bus, send.word)}
        out += _bits(case, send, message, made, old, new)
        for one in made.values():
            before, now = case.recorded_track(one.bus, message, one.signal), case.sent_track(one)
            if before is None or now is None or one.is_open:
                continue
            out += _constant(case, one, before, now)
            if send.once:
                continue
            out += _safe_only(case, one, before, now)
            out += _when(case, one, before, now)
            out += _clipped(case, one, before, now)
            out += _turned(one, before, now)
            out += _stands(case, one, now)
        out += _with_request(case, list(made.values()))
    return out


def _with_request(case: Case, made: list[SentSignal]) -> Iterator[Check]:
    """A flag that the old sender set only together with a torque request is set together with it now."""
    asks = next(
        (m for m in made if m.role is not None and m.role.hazard == "torque request" and _number(m.signal)), None
    )
    for flag in (m for m in made if asks is not None and m.signal.layout.length == 1 and not m.is_open):
        assert asks is not None
        before = _together(
            case.recorded_track(asks.bus, asks.message, asks.signal),
            case.recorded_track(flag.bus, flag.message, flag.signal),
        )
        now = _together(case.sent_track(asks), case.sent_track(flag))
        if before is None or now is None or before < SETTLED:
            continue
        yield check_of(
            "life", flag.label, "set with the request", now >= TOGETHER,
            f"{100 * now:.0f} % of the time that it is set something is asked for; {100 * before:.0f} % before",
            "as before: who sees it set obeys the request beside it", "check its source and its rule",
            otherwise="unproved",
        )  # fmt: skip


def _together(asks: Track | None, flag: Track | None) -> float | None:
    """Of the frames in which a flag is set, the share in which a request says something other than it mostly does."""
    if asks is None or flag is None or len(asks.raw) != len(flag.raw):
        return None
    values, counts = np.unique(asks.raw, return_counts=True)
    is_set = flag.raw != 0
    return float((asks.raw[is_set] != values[counts.argmax()]).mean()) if is_set.sum() >= ENOUGH else None


def _moving(frames: Frames, size: int) -> npt.NDArray[np.bool_]:
    """(8 * size,) which bits were both ways in at least a few frames; number 8 * byte + weight."""
    bits = np.unpackbits(frames.payload[frames.length >= size, :size], axis=1, bitorder="little")
    ones = bits.sum(axis=0, dtype=np.int64)
    moving: npt.NDArray[np.bool_] = (ones >= FEW) & (ones <= len(bits) - FEW)
    return moving


def _bits(
    case: Case, send: Send, message: MapMessage, made: dict[str, SentSignal], old: Frames, new: Frames
) -> Iterator[Check]:
    """Bits that moved before and stand still now, by signal."""
    size = message.length
    if send.once or not (old.length >= size).any() or not (new.length >= size).any():
        return
    stopped = np.flatnonzero(_moving(old, size) & ~_moving(new, size)).tolist()
    parent = next((p for p in case.bridge.messages if p.message.text == send.name), None)
    opened = parent.open if parent is not None else ()
    owner: dict[int, list[MapSignal]] = {}
    for signal in message.signals:
        for position in signal.layout.positions:
            owner.setdefault(position, []).append(signal)
    dead: dict[str, list[int]] = {}
    for position in stopped:
        signals = owner.get(position)
        if signals is None:
            dead.setdefault("rest", []).append(position)
        for signal in signals or ():
            if not _number(signal):
                dead.setdefault(signal.name, []).append(position)
    for signal in message.signals:  # of a number only the whole matters: another engine reaches other values
        if _number(signal) and set(signal.layout.positions) & set(stopped):
            moves = _moving(new, size)
            if not any(moves[p] for p in signal.layout.positions if p < len(moves)):
                dead[signal.name] = [p for p in signal.layout.positions if p in stopped]
    looked = int(_moving(old, size).sum())
    if not dead:
        yield check_of("life", send.name, "moves", True, f"{looked} bits moved before, none stands still now", "", "")
    for name, positions in dead.items():
        label = send.name if name == "rest" else f"{send.name}.{name}"
        one = made.get(name)
        live = _sources_move(case, one) if one is not None else False
        what = (
            "in no signal of the map"
            if name == "rest"
            else ("made from nothing" if one is None else one.rule.value.text)
        )
        remedy = f'give it a live source; or list it under open = ["{name}"] of {send.name}, which leaves it not proved'
        if name in opened:
            remedy = "give it a live source; it is listed under open already"
        yield check_of(
            "life",
            label,
            "moves",
            False,
            f"{len(positions)} bits ({bit_places(positions)}) moved before and stand still now: {what}"
            if len(positions) > 1
            else f"{bit_places(positions)} moved before and stands still now: {what}",
            "what moved in the old sender's frames moves in ours",
            remedy,
            otherwise="open" if name in opened else "unproved" if live else "fail",
        )


def _number(signal: MapSignal) -> bool:
    return signal.layout.length > CODES_BITS and not signal.choices


def _sources_move(case: Case, made: SentSignal) -> bool:
    """Whether anything that a rule reads moved in its recording."""
    tracks = [case.track_of(place) for place in made.sources]
    return any(t is not None and len(np.unique(t.raw[t.measured])) > 1 for t in tracks)


def _constant(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    """A constant other than the old sender's is right only if the donor itself sends it; so is one of its engine's."""
    if made.sources:
        yield from _never_moved(case, made, before, now)
        return
    if len(np.unique(before.raw)) != 1 or len(np.unique(now.raw)) != 1:
        return
    then, is_now = int(before.raw[0]), int(now.raw[0])
    others = _donor_says(case, made) if _is_a_fact(made) else {}
    witness = next((label for label, value in others.items() if _close(value, float(now.values[0]))), "")
    if then != is_now:
        yield check_of(
            "life",
            made.label,
            "constant",
            False,
            f"always {in_words(made.signal, is_now)}, was always {in_words(made.signal, then)}"
            + (f"; {witness} agrees" if witness else ""),
            "the old sender's value, or that of the new engine's own frames",
            "make sure that the old vehicle had what the map makes of its frames: nothing else shows its bits and scale"
            if witness
            else "send the recorded value, or take it from the donor's message that states it",
            otherwise="open" if witness else "fail",
        )
    elif others and not witness:
        label, value = next(iter(others.items()))
        yield check_of(
            "life",
            made.label,
            "constant",
            False,
            f"always {in_words(made.signal, is_now)}, as the old sender said; {label} says {value:g}",
            "what is true of the engine and the vehicle that are there",
            f"take it from there, or send {value:g}; or, if a module was coded for the old engine and has to go on "
            f'hearing of it, list it under open = ["{made.signal.name}"] of {made.send.name}',
            otherwise="unproved",
        )


def _never_moved(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    """A live source that never moved, and of which something else is made than the old sender always said.

    Two drives may differ. But bits that were never set, or always, may belong to no signal.
    """
    tracks = [case.track_of(place) for place in made.sources]
    raws = [np.unique(t.raw) for t in tracks if t is not None]
    old_raw = np.unique(before.raw[before.measured])
    live = now.raw[now.measured & (now.raw != made.safe_raw)]
    new_raw = np.unique(live if len(live) else now.raw[now.measured])
    if any(len(raw) != 1 for raw in (*raws, old_raw, new_raw)) or not raws or old_raw[0] == new_raw[0]:
        return
    then, is_now = int(old_raw[0]), int(new_raw[0])
    empty = _number(made.signal) and all(
        int(t.raw[0]) in (0, (1 << t.signal.layout.length) - 1, -1) for t in tracks if t is not None
    )
    yield check_of(
        "life",
        made.label,
        "constant",
        False,
        f"always {in_words(made.signal, is_now)}, was always {in_words(made.signal, then)}"
        + ("; every bit of its source always stood alike, as those that belong to nothing do" if empty else ""),
        "a source that was seen to move, or that says what the old sender said",
        "correct the bits of its source in the map, or record a drive in which it moves",
        otherwise="unproved" if empty else "open",
    )


def _is_a_fact(made: SentSignal) -> bool:
    """Whether it is a quantity or a count that all makers define alike; codes differ by maker."""
    role = made.role
    measures = bool(made.signal.unit) or (role is not None and bool(role.quantity))
    return measures or bool(_name_words(made.signal.name) & ENGINE_COUNTS)


def _donor_says(case: Case, made: SentSignal) -> dict[str, float]:
    """Signals on other buses of the same role, or with a word of its name, and their constant values, in its unit."""
    words = _name_words(made.signal.name)
    role = made.role.name if made.role is not None and made.role.name not in ("Value", "Status") else ""
    out: dict[str, float] = {}
    for number, bus in enumerate(case.names):
        if number == made.bus:
            continue
        for message in case.maps[bus].messages:
            for signal in message.signals:
                akin = (role and signal.role == role) or words & _name_words(signal.name)
                found = case.recorded_track(number, message, signal) if akin else None
                if found is None or not found.measured.any():
                    continue
                distinct = np.unique(found.values[found.measured])
                value = (
                    unit_values(case, number, message.name, signal, distinct, made.signal.unit)
                    if signal.unit
                    else distinct
                )
                if value is not None and len(value) == 1:
                    out[f"{bus}.{message.name}.{signal.name}"] = float(value[0])
    return out


def _close(one: float, other: float) -> bool:
    return abs(one - other) < 0.01 * abs(other) + 1e-9


def _name_words(name: str) -> set[str]:
    """Words of a signal's name that are long enough to mean something."""
    spaced = "".join(f" {c}" if c.isupper() and i and not name[i - 1].isupper() else c for i, c in enumerate(name))
    return {w.lower() for w in spaced.replace("_", " ").split() if len(w) > 4}


def _safe_only(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    """A signal that gives its safe answer most of the time, where the old sender hardly ever gave it."""
    raw = made.safe_raw
    if raw is None or not made.sources:
        return
    share, was = float((now.raw == raw).mean()), float((before.raw == raw).mean())
    if made.role is not None and made.role.hazard == "torque request":
        return  # which asks for nothing most of the time, and is judged by itself
    if share > SAFE_TOO_OFTEN and was < SAFE_BEFORE:
        beyond = _beyond_seen(case, made, now)
        if beyond:  # a learned rule outside its recordings gives no value: no mistake, and nothing proved
            yield check_of(
                "life",
                made.label,
                "is more than its safe answer",
                False,
                f"{100 * share:.0f} % of the time {safe_answer(made)}: {beyond}",
                "measurements",
                "record the old vehicle in that range and draft again, or make it from something else",
                otherwise="unproved",
            )
            return
        yield check_of(
            "life",
            made.label,
            "is more than its safe answer",
            False,
            f"{100 * share:.0f} % of the time {safe_answer(made)}, which the old sender said {100 * was:.0f} %",
            "measurements",
            "its source is stale, invalid or wrong: see the evidence for the message that it reads",
        )


def _beyond_seen(case: Case, made: SentSignal, now: Track) -> str:
    """Which live source lies outside the range its rule was learned in, where that explains the safe answers; or ""."""
    for ranged, low, high in made.rule.seen.ranges:
        place = next((p for p in made.sources if ranged in ("", ".".join(p))), None)
        found = case.track_of(place) if place is not None else None
        if place is None or found is None or not found.measured.any() or not (ranged or len(made.sources) == 1):
            continue
        bottom, top = (constant(case.bridge, end) for end in (low, high))
        unit = bottom[1].name
        values = unit_values(case, case.names.index(place[0]), place[1], found.signal, found.values, unit)
        if values is None:
            continue
        at = held_at(BenchQuantity(found.time_s, values, found.measured), now.time_s)
        outside = (at < float(bottom[0])) | (at > float(top[0]))
        if outside.mean() > SAFE_TOO_OFTEN:
            return (
                f"{'.'.join(place)} is {at[outside].min():.4g} to {at[outside].max():.4g} {unit}, "
                f"where its rule was learned from {float(bottom[0]):.4g} to {float(top[0]):.4g}"
            )
    return ""


def _states(case: Case, bus: int, time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.int8] | None:
    """0 stopped, 1 cranking, 2 running at some moments of a bus's recording; -1 where nothing shows it."""
    speed = engine_speed(case, bus)
    if speed is None:
        return None
    at = held_at(speed, time_s)
    out = np.where(at > RUNNING_RPM, 2, np.where(at > CRANKING_RPM, 1, 0)).astype(np.int8)
    out[np.isnan(at)] = -1
    # what changes within half a second of a moment is no settled state
    soon = held_at(speed, time_s + 0.6)
    out[(soon > RUNNING_RPM) != (at > RUNNING_RPM)] = -1
    return out


STATE_WORDS = {0: "stopped", 1: "cranking", 2: "running"}


def _cells(case: Case, bus: int, time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.int64] | None:
    """State of the engine, pedal pressed, vehicle moving, as one number; -1 where nothing shows it."""
    states = _states(case, bus, time_s)
    if states is None:
        return None
    out = states.astype(np.int64) * 9
    for weight, alias, unit, least in ((3, "pedal_position", "%", 3.0), (1, "vehicle_speed", "km/h", 2.0)):
        measured = quantity(case, bus, alias, unit)
        if measured is None:
            continue
        now, soon = held_at(measured, time_s), held_at(measured, time_s + 0.5)
        side = np.where(now > least, 2, 1)
        out += weight * side
        states = np.where(np.isnan(now) | np.isnan(soon) | ((now > least) != (soon > least)), -1, states).astype(
            np.int8
        )
    out[states < 0] = -1
    return out


def _cells_of(case: Case, made: SentSignal, time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.int64] | None:
    """The cells of the drive that a rule's values come from; of several drives, where they are in the same one."""
    drives = case.drives_of(made) or frozenset(range(len(case.names))) - {made.bus}
    cells = [_cells(case, bus, time_s) for bus in sorted(drives)]
    first = next(iter(cells), None)
    if first is None:
        return None
    for other in cells[1:]:
        if other is None:
            return None
        first = np.where(first == other, first, -1)
    return first


def _cell_words(cell: int) -> str:
    state, rest = divmod(cell, 9)
    words = [f"engine {STATE_WORDS[state]}"]
    words += [("", "pedal released", "pedal pressed")[rest // 3], ("", "standing", "moving")[rest % 3]]
    return ", ".join(w for w in words if w)


def _when(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    """States and flags: the same value in the same state of the engine, and no code that was never said."""
    if made.signal.layout.length > CODES_BITS:
        return
    wrong, short = [], []
    old_state = new_state = None
    if not case.bridge.buses[made.bus].holds_engine:  # what an engine receives follows the driver
        old_state, new_state = _cells(case, made.bus, before.time_s), _cells_of(case, made, now.time_s)
    if old_state is not None and new_state is not None:
        for state in np.unique(old_state[old_state >= 0]).tolist():
            then, is_now = before.raw[old_state == state], now.raw[new_state == state]
            fewest, a_second = min(len(then), len(is_now)), 1e6 / max(made.send.period_us, 1)
            if fewest < max(ENOUGH, a_second):
                continue
            values, counts = np.unique(then, return_counts=True)
            top, share = int(values[counts.argmax()]), float(counts.max() / len(then))
            kept = float((is_now == top).mean())
            flag = made.signal.layout.length == 1
            apart = abs(float((then != 0).mean()) - float((is_now != 0).mean())) if flag else 0.0
            apart_words = f"{_cell_words(state)}: {in_words(made.signal, top)} {100 * share:.0f} % before, "
            if fewest < max(ENOUGH, LONG_ENOUGH_S * a_second):
                short += [apart_words + "never now"] * (share == 1.0 and kept == 0.0)
            elif (share >= SETTLED and kept < KEPT) or apart > FLAG_APART:
                wrong.append(f"{apart_words}{100 * kept:.0f} % now")
    known = set(np.unique(before.raw).tolist())
    codes, counts = np.unique(now.raw, return_counts=True)
    fresh = [int(c) for c, n in zip(codes, counts, strict=True) if int(c) not in known and n > NEW_CODE * len(now.raw)]
    if fresh and len(known) > 1 and not _grows(known, fresh):
        shown = ", ".join(in_words(made.signal, c) for c in fresh)
        if _named_further(made.signal.choices, known, fresh):
            yield check_of(
                "life", made.label, "codes that go on", False,
                f"says {shown}, which the old sender never came to: only its map tells their codes",
                "a recording in which it says them", "make sure of these codes in the map", otherwise="open",
            )  # fmt: skip
        else:
            wrong.append(f"says {shown}, which the old sender never sent")
    yield check_of(
        "life",
        made.label,
        "says the same in the same state",
        not wrong and not short,
        "; ".join(wrong or short) or f"{len(known)} values, as before",
        "the old sender's values with its engine stopped, cranking and running",
        "check the choices of both maps, the bits of its source, and the rule"
        + ("" if wrong else f"; or record {LONG_ENOUGH_S:g} s or more of that state on both vehicles"),
        otherwise="fail" if wrong else "unproved",
    )


def _grows(known: set[int], fresh: list[int]) -> bool:
    """Codes that only go on where the old ones ended: gears of a gearbox that has more of them."""
    top = max(k for k in known if k < 2 * len(known) + 2)
    return all(top < c <= top + MOST_GEARS_MORE for c in fresh)


def _named_further(choices: Mapping[int, str], known: set[int], fresh: list[int]) -> bool:
    """The same of codes in any order, by the numbers that they are called: a drive did not come to the last gear."""
    numbers = [int(choices[k]) for k in known if choices.get(k, "").isdecimal()]
    more = [choices.get(c, "") for c in fresh]
    return len(numbers) > 1 and all(m.isdecimal() and 0 < int(m) - max(numbers) <= MOST_GEARS_MORE for m in more)


def _turned(made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    """A number that was always on one side of zero, and is on the other; a temperature is, in another season."""
    if not _number(made.signal) or find_kind(made.signal) == "temperature":
        return
    then, is_now = before.values[before.measured], now.values[now.measured]
    if min(len(then), len(is_now)) < ENOUGH:
        return
    for side, words in ((1, "below"), (-1, "above")):
        if (then * side >= 0).all() and (then * side > 0).mean() > SETTLED and (is_now * side < 0).mean() > SETTLED:
            yield check_of(
                "life",
                made.label,
                "sign",
                False,
                f"{is_now.min():.4g} to {is_now.max():.4g} {made.signal.unit}, was never {words} zero",
                "the old sender's sign",
                "change its sign in the rule, or correct the sign of its source in the map",
            )


def _stands(case: Case, made: SentSignal, now: Track) -> Iterator[Check]:
    """Speeds and torque must be zero while the vehicle or engine stands still."""
    alias = made.role.alias if made.role is not None else ""
    buses = {place[0] for place in made.sources} & set(case.names)
    if alias not in STILL or len(buses) != 1:
        return
    by, least, unit, room = STILL[alias]
    bus = case.names.index(buses.pop())
    cause = quantity(case, bus, by, "km/h" if by == "vehicle_speed" else "rpm")
    values = unit_values(case, made.bus, made.message.name, made.signal, now.values, unit)
    if cause is None or values is None or bus == made.bus:
        return
    torque = unit == "Nm"
    if torque:
        room = max(room, TORQUE_STEP * float(np.abs(values[now.measured]).max(initial=0.0)))
    nothing = (held_at(cause, now.time_s - 1.0) < least) & (held_at(cause, now.time_s + 1.0) < least)
    at_rest = values[nothing & (held_at(cause, now.time_s) < least) & now.measured]
    if len(at_rest) < ENOUGH:
        return
    found = float(np.median(at_rest))
    yield check_of(
        "life",
        made.label,
        "zero at rest",
        abs(found) <= room,
        f"{found:.4g} {unit} at rest",
        "zero at rest",
        "correct its rule, or an offset in a map: modules take it for a moving vehicle or a turning engine",
        otherwise="unproved" if torque else "fail",  # some engines state their losses at rest
    )


def _clipped(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    """A copy that rests on its smallest or largest value while its source goes on moving."""
    if len(made.sources) != 1 or made.functions & SHAPING or not _number(made.signal):
        return
    (place,) = made.sources
    track = case.track_of(place)
    message = case.maps[place[0]].message(place[1])
    if track is None or message is None or not track.measured.any():
        return
    bus = case.names.index(place[0])
    values = unit_values(case, bus, message.name, track.signal, track.values, made.signal.unit)
    if values is None:  # a torque that is sent as percent
        whole = unit_values(case, made.bus, made.message.name, made.signal, np.array([1.0]), track.signal.unit)
        if whole is None:
            return
        values = track.values / float(whole[0])
    rows = np.maximum(np.searchsorted(track.time_s, now.time_s, "right") - 1, 0)
    source = values[rows]
    use = now.measured & track.measured[rows] & (now.time_s > track.time_s[0])
    distinct, counts = np.unique(track.raw, return_counts=True)
    use &= track.raw[rows] != distinct[counts.argmax()]  # most of the time a request says 'none', far beyond
    step = abs(float(made.signal.scale))
    worst, missing = 0.0, False
    asks = made.role is not None and made.role.hazard == "torque request"
    for end, beyond in ((now.raw[use].max(), 1), (now.raw[use].min(), -1)) if use.any() else ():
        limit = float(made.signal.physical(int(end)))
        over = (
            use
            & (now.raw == end)
            & ((source - limit) * beyond * np.sign(float(made.signal.scale)) > CLIPPED_STEPS * step)
        )
        worst = max(worst, float(over.sum() / len(use)))
        if over.sum() > ENOUGH and not asks:
            went = (before.values[before.measured] - limit) * beyond * np.sign(float(made.signal.scale))
            missing = missing or int((went > CLIPPED_STEPS * step).sum()) > ENOUGH
    yield check_of(
        "life",
        made.label,
        "not clipped",
        worst <= CLIPPED and not missing,
        f"on a limit {100 * worst:.0f} % of the time while its source goes beyond"
        + (", where the old sender went beyond it too" if missing else ""),
        f"at most {100 * CLIPPED:.0f} %, and nothing that the old sender sent is cut off",
        "widen its clamp or limits, or correct its scale in the map",
    )
