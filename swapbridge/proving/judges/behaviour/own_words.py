"""Proving room: replays a vehicle through the plan: the absent computer's recorded values must come out again.

A recording is re-encoded as the other vehicle's messages, fed to the plan beside the modules that stay, and what comes
out is compared, signal by signal, with what the absent computer said in that very recording. Values come from the
stimulus beside the recording wherever it has the channel: a wrong scale, code or field of a map would cancel out of a
loop through that map. Where only the map gives a value, the rule alone is tested, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.capture.stimulus import Channel
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.core.roles import BY_NAME
from swapbridge.core.vocabulary import plain as same_name
from swapbridge.proving.bench.frame_rows import Frames, frames_from
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.case import Case, SentSignal, Track, reads, track
from swapbridge.proving.curves import thin
from swapbridge.proving.judges.maps.likeness import Likeness, beside, find_kind, says_on, unit_values
from swapbridge.proving.judges.recordings.driving import CRANKING_RPM, RUNNING_RPM, channel_of, engine_speed
from swapbridge.proving.verdict import Check, DifferingCurve, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

Floats = npt.NDArray[np.float64]
EVERY_S = 0.2
"""So often what was said and what is sent are compared."""
WINDOW_S = 0.35
"""A stimulus is a few readings a second, and late: a value counts when it is said this near to its moment."""
LONGEST_WAIT_US = 100_000
PACE_S, LATE_S, PACE, PACE_ALONG = 0.6, 0.15, 0.1, 0.8
"""A total's growth is compared over so long, the new one so much later: readings between which its sources are drawn as
straight lines tell it no better than this."""
SHARE, LEAST_REPRODUCED, LEAST_OF_ITS_OWN = 0.05, 0.6, 0.8
"""Shares of what is repeated, each value or part of the range alike; more where the very frames stand beside it."""
FEWEST_REQUESTS, DEPTH, DEPTH_OF_SPAN = 3, 0.04, 0.01
"""A request is repeated this closely, of its own size or of all that is asked for; so many show it."""
STATE_WORDS = (
    ("stopped", "off", "standstill", "notrunning"),
    ("cranking", "crank", "start", "starting"),
    ("running", "run", "on"),
)
FINER_WORDS = (
    ("keyon", "ignition", "ignitionon", "ready", "waiting", "prestart", "afterrun", "on"),
    ("prime", "preheat"),
    ("idle", "idling", "overrun", "coasting", "fuelcut", "warmup", "load", "partload", "fullload", "limp"),
)
"""Words that tell apart what engine speed does not, each only in its own state: 'on' is one of them beside 'running'
(common practice, no source)."""


@dataclass(slots=True)
class _Voice:
    """What a source signal is fed with: times, raw values, and whether the stimulus gave them."""

    time_s: Floats
    raw: npt.NDArray[np.int64]
    tested: bool


def judge_own_words(case: Case) -> list[Check]:
    """One check a sent signal that could be said again, and one a bus that lists whose map was not tested."""
    out: list[Check] = []
    for bus in range(len(case.names)):
        if case.bench.captures[bus] is not None:
            out += _one_bus(case, bus)
    return out


@dataclass(frozen=True, slots=True)
class Reproduced:
    """A sent signal over one recording: as the absent computer said it, and as the plan makes it of that very drive.

    `crosses` says whether it is made from another bus at all, `tested` whether the stimulus gave all values from there.
    """

    made: SentSignal
    old: Track
    new: Track
    crosses: bool
    tested: bool


def reproduced_signals(case: Case, bus: int) -> Iterator[Reproduced]:
    """Every sent signal of a bus whose sources could be made anew, or stand in the recording itself."""
    mine = [m for m in case.made if m.bus == bus and not m.send.once and not m.is_open and m.sources]
    voices: dict[tuple[int, str, str], _Voice | None] = {}
    for made in mine:
        for place in made.sources:
            other = case.names.index(place[0]) if place[0] in case.names else bus
            key = (other, place[1], place[2])
            if other != bus and key not in voices:
                voices[key] = _voice(case, bus, place, made)
    for key, place in _state_sources(case, bus):
        if key not in voices:
            voices[key] = _voice(case, bus, place, None)
    if voices and not any(v is not None for v in voices.values()):
        return
    sent = _play(case, bus, voices)
    for made in mine:
        keys = [(case.names.index(b), m, s) for b, m, s in made.sources if b in case.names and b != case.names[bus]]
        heard = [voices.get(k) for k in keys]
        if any(v is None for v in heard):
            continue
        old = case.recorded_track(bus, made.message, made.signal)
        new = track(sent.get(made.message.word), made.message, made.signal)
        if old is not None and new is not None:
            yield Reproduced(made, old, new, bool(keys), all(v is not None and v.tested for v in heard))


def _one_bus(case: Case, bus: int) -> Iterator[Check]:
    name = case.names[bus]
    if not any(b != name for m in case.made if m.bus == bus for b, _, _ in m.sources):
        return
    untested, tried = [], set()
    for one in reproduced_signals(case, bus):
        tried.add(one.made.label)
        if not one.tested:
            untested.append(one.made.signal.name)
        found = _compare(case, one)
        if found is not None and not one.crosses and found.status == "fail":
            found = replace(found, status="unproved")  # what it reads was not its old sender's only source, perhaps
        if found is not None:
            yield found
        role = one.made.role
        if role is not None and role.hazard == "torque request":
            yield from _asked(case, one)
    if untested:
        yield check_of(
            "own words",
            f"bus {name}",
            "map not tested",
            False,
            f"{', '.join(dict.fromkeys(untested))}: their values came from the map itself, which tests only the rule",
            "a stimulus channel for each",
            "record again with these on the scan tool or in the script",
            otherwise="open",
        )
    witnessed = {c.subject for c in case.checks if c.area == "maps" and c.name.startswith(("says ", "follows "))}
    untried = [
        m.signal.name
        for m in case.made
        if m.bus == bus and not (m.is_open or m.send.once) and any(b != name for b, _, _ in m.sources)
        if m.label not in tried | witnessed
    ]
    if untried:
        yield check_of(
            "own words",
            f"bus {name}",
            "rule not tested",
            False,
            f"{', '.join(dict.fromkeys(untried))}: nothing tells what their sources would have said in this recording",
            "sources that this bus says too, or that were measured beside both recordings",
            "give their sources a role in the map, or make sure of the numbers in these rules",
            otherwise="open",
        )


def _state_sources(case: Case, bus: int) -> Iterator[tuple[tuple[int, str, str], tuple[str, str, str]]]:
    """Signals on other buses that select the translator's states."""
    rules = case.bridge.states
    for source in (rules.key_on, rules.crank, rules.run):
        if source is not None:
            for place in reads(case.bridge, source)[0]:
                other = case.names.index(place[0]) if place[0] in case.names else bus
                if other != bus:
                    yield (other, place[1], place[2]), place


def _voice(case: Case, bus: int, place: tuple[str, str, str], made: SentSignal | None) -> _Voice | None:
    """What a source signal of the other vehicle would have said in this bus's recording."""
    message = case.maps[place[0]].message(place[1])
    signal = message.signal(place[2]) if message is not None else None
    other = case.names.index(place[0])
    if message is None or signal is None:
        return None
    alias = BY_NAME[signal.role].alias if signal.role in BY_NAME else ""
    states = _engine_state_voice(case, bus, signal, alias) or _state_voice(case, bus, signal, alias)
    if states is not None:
        return states
    channel = channel_of(case, bus, alias) if alias else None
    if channel is not None and not channel.texts and (found := _numbers(case, other, message, signal, channel)):
        return found
    if made is None or len(made.sources) != 1:
        for own_message, own in case.by_role(bus, alias) if alias not in ("", "value", "status") else ():
            found = _from_map(case, bus, own_message, own, other, message, signal)
            if found is not None:
                return found
        return None
    for own_message, own in case.by_role(bus, alias) if alias not in ("", "value", "status") else ():
        found = _from_map(case, bus, own_message, own, other, message, signal)
        if found is not None:
            return found
    if made.functions - {"clamp", "within"}:
        return None
    return _from_map(case, bus, made.message, made.signal, other, message, signal)


def _engine_state_voice(case: Case, bus: int, signal: MapSignal, alias: str) -> _Voice | None:
    """Engine states by engine speed; what speed can't tell apart, by the absent computer's own words in that state."""
    names = {same_name(text): raw for raw, text in signal.choices.items()}
    speed = engine_speed(case, bus) if channel_of(case, bus, "engine_speed") is not None else None
    codes = [next((names[w] for w in words if w in names), None) for words in STATE_WORDS]
    if signal.layout.length == 1 and not names:
        codes = [0, 0, 1]
    if alias != "engine_running" or speed is None or codes[0] is None or codes[2] is None:
        return None
    state = np.where(speed.values > RUNNING_RPM, 2, np.where(speed.values > CRANKING_RPM, 1, 0))
    table = np.array([codes[0], codes[1] if codes[1] is not None else codes[0], codes[2]])
    whole = _Voice(speed.time_s, table[state].astype(np.int64), True)
    finer = [{w: names[w] for w in words if w in names and names[w] not in codes} for words in FINER_WORDS]
    for own_message, own in case.by_role(bus, alias) if any(finer) else ():
        old = case.recorded_track(bus, own_message, own)
        if old is None or not old.measured.any():
            continue
        time_s = old.time_s[old.measured]
        rows = np.clip(np.searchsorted(speed.time_s, time_s, "right") - 1, 0, None)
        said = [same_name(own.choices.get(raw, "")) for raw in old.raw[old.measured].tolist()]
        raw = [finer[n].get(w, table[n]) for n, w in zip(state[rows].tolist(), said, strict=True)]
        return _Voice(time_s, np.array(raw, np.int64), True)
    return whole


def _state_voice(case: Case, bus: int, signal: MapSignal, alias: str) -> _Voice | None:
    """States by a channel of words or by a switch: never by the map's own codes."""
    names = {same_name(text): raw for raw, text in signal.choices.items()}
    if alias == "engine_running":
        return None
    stimulus = case.stimuli.get(case.names[bus])
    for channel in stimulus.channels.values() if stimulus is not None else ():
        if channel.texts and names and all(same_name(t) in names for t in channel.texts):
            table = np.array([names[same_name(t)] for t in channel.texts])
            return _Voice(channel.time_s, table[channel.value.astype(int)], True)
    switch = channel_of(case, bus, alias) if alias else None
    if switch is None or switch.unit or switch.texts or len(np.unique(switch.value)) > 2:
        return None
    off = next((names[w] for w in ("off", "inactive", "released", "no") if w in names), 0)
    on = next((names[w] for w in ("on", "active", "pressed", "yes") if w in names), 1)
    if signal.layout.length > 3:
        return None
    return _Voice(switch.time_s, np.where(switch.value > 0, on, off).astype(np.int64), True)


def _numbers(case: Case, other: int, message: MapMessage, signal: MapSignal, channel: Channel) -> _Voice | None:
    if not channel.unit or len(channel.time_s) < 5:
        return None
    one = unit_values(case, other, message.name, signal, np.array([0.0, 1.0]), channel.unit)
    if one is None or one[1] == one[0]:
        return None
    values = (channel.value - one[0]) / (one[1] - one[0])
    time_s = np.arange(channel.time_s[0], channel.time_s[-1], 0.02)
    return _Voice(time_s, _raw(signal, np.interp(time_s, channel.time_s, values)), True)


def _from_map(
    case: Case, bus: int, own_message: MapMessage, own: MapSignal, other: int, message: MapMessage, signal: MapSignal
) -> _Voice | None:
    """The absent computer's own signal, by its map."""
    old = case.recorded_track(bus, own_message, own)
    if old is None or not old.measured.any():
        return None
    time_s = old.time_s[old.measured]
    if own.choices and signal.choices:
        names = {same_name(text): raw for raw, text in signal.choices.items()}
        pairs = {raw: names[same_name(text)] for raw, text in own.choices.items() if same_name(text) in names}
        raw = np.array([pairs.get(int(v), 0) for v in old.raw[old.measured]], np.int64)
        return _Voice(time_s, raw, False)
    if bool(own.choices) != bool(signal.choices) and own.layout.length == signal.layout.length == 1:
        on = int(says_on(signal, 1))  # of two flags one may be lit at 0, and say so
        lit = np.array([says_on(own, raw) for raw in old.raw[old.measured].tolist()], bool)
        return _Voice(time_s, np.where(lit, on, 1 - on), False)
    if not own.unit and not signal.unit:
        same = own.choices or signal.choices
        raw = old.raw[old.measured] if same else _raw(signal, old.values[old.measured])
        return _Voice(time_s, raw, False)
    values = unit_values(case, bus, own_message.name, own, old.values[old.measured], signal.unit)
    if values is None:
        one = unit_values(case, other, message.name, signal, np.array([0.0, 1.0]), own.unit)
        if one is None or one[1] == one[0]:
            return None
        values = (old.values[old.measured] - one[0]) / (one[1] - one[0])
    return _Voice(time_s, _raw(signal, values), False)


def _raw(signal: MapSignal, values: Floats) -> npt.NDArray[np.int64]:
    low, high = signal.layout.raw_range
    raw = np.rint((values - float(signal.offset)) / float(signal.scale))
    return np.clip(raw, low, high).astype(np.int64)


def _play(case: Case, bus: int, voices: dict[tuple[int, str, str], _Voice | None]) -> dict[int, Frames]:
    """What the plan sends on this bus as recorded, by word, beside the other buses' messages made anew.

    Frames take no time here.
    """
    end = case.bench.captures[bus]
    assert end is not None
    seconds = float(end.time_ns[-1] - case.bench.begin_ns[bus]) / 1e9
    heard: list[tuple[int, int, int, bytes]] = []
    for number in range(len(case.names)):
        capture = end if number == bus else _made_anew(case, bus, number, voices, seconds)
        if capture is None:
            continue
        begin = case.bench.begin_ns[bus] if number == bus else 0
        rows = np.isin(words_of(capture), list(case.bench.reads[number]))
        if any(send.with_bus and send.bus == number for send in case.plan.sends):
            rows |= _keeps_awake(case, number, capture)
        part = capture.select(np.flatnonzero(rows))
        blob, width = part.payload.tobytes(), part.payload.shape[1]
        times = ((part.time_ns - begin) // 1000).tolist()
        for row, (time_us, word, length) in enumerate(
            zip(times, words_of(part).tolist(), part.length.tolist(), strict=True)
        ):
            heard.append((time_us, number, word, blob[row * width : row * width + length]))
    heard.sort(key=lambda event: event[0])
    program = case.make()
    sent: dict[int, tuple[list[int], list[bytes]]] = {}
    due = 0
    for now, number, word, data in heard:
        while due < now:
            while (frame := program.poll(due)) is not None:
                if frame.bus == bus:
                    times, payloads = sent.setdefault(frame.word, ([], []))
                    times.append(1000 * due)
                    payloads.append(bytes(frame.data))
            due = max(due + 1, min(program.next_poll(due), due + LONGEST_WAIT_US))
        program.on_frame(number, word, data, now)
        due = min(due, now)
    return {word: frames_from(*rows) for word, rows in sent.items()}


def _keeps_awake(case: Case, number: int, capture: Capture) -> npt.NDArray[np.bool_]:
    """Enough frames of a bus to see when it is awake: the first of others in each of many short spans."""
    own = [send.word for send in case.plan.sends if send.bus == number]
    others = np.flatnonzero(~np.isin(words_of(capture), own))
    _, first = np.unique(capture.time_ns[others] // (case.plan.buses[number].silent_us * 250), return_index=True)
    rows = np.zeros(len(capture), np.bool_)
    rows[others[first]] = True
    return rows


def _made_anew(
    case: Case, bus: int, other: int, voices: dict[tuple[int, str, str], _Voice | None], seconds: float
) -> Capture | None:
    """Frames of another bus's messages, with the values of this bus's recording, as long as its old sender spoke."""
    awake = _awake(case, bus)
    if awake is None:
        return None
    times: list[npt.NDArray[np.int64]] = []
    words: list[int] = []
    payloads: list[npt.NDArray[np.uint8]] = []
    for message in case.maps[case.names[other]].messages:
        mine = {s: v for (b, m, s), v in voices.items() if b == other and m == message.name and v is not None}
        if not mine or not message.period_ms or message.length > 8:
            continue
        at = np.arange(awake[0], min(awake[1], seconds), float(message.period_ms) / 1000)
        rows = [bytes(p) for p in _payloads(message, mine, at)]
        times.append((at * 1e9).astype(np.int64))
        words += [message.word] * len(at)
        payloads.append(np.frombuffer(b"".join(r.ljust(8, b"\0") for r in rows), np.uint8).reshape(-1, 8))
        lengths = np.full(len(at), message.length, np.uint8)
        payloads[-1] = np.column_stack([payloads[-1], lengths])
    if not times:
        return None
    order = np.argsort(np.concatenate(times), kind="stable")
    whole = np.concatenate(payloads)[order]
    word = np.array(words, np.int64)[order]
    return Capture(
        time_ns=np.concatenate(times)[order],
        identifier=(word & ~EXTENDED_BIT).astype(np.uint32),
        flags=np.where(word & EXTENDED_BIT, EXTENDED, 0).astype(np.uint8),
        bus=np.zeros(len(word), np.uint8),
        length=whole[:, 8].copy(),
        payload=np.ascontiguousarray(whole[:, :8]),
        bus_names=(case.names[other],),
        source="translated again",
    )


def _awake(case: Case, bus: int) -> tuple[float, float] | None:
    """When the old sender of what the plan sends on a bus spoke."""
    frames = [case.old(bus, s.word) for s in case.plan.sends if s.bus == bus and s.request is None and not s.once]
    there = [f for f in frames if f is not None and len(f) > 10]
    if not there:
        return None
    return min(float(f.time_ns[0]) for f in there) / 1e9, max(float(f.time_ns[-1]) for f in there) / 1e9


def _payloads(message: MapMessage, voices: dict[str, _Voice], at: Floats) -> Iterator[bytearray]:
    """One payload for each moment; pages of a multiplexed message take turns."""
    held = {
        name: v.raw[np.clip(np.searchsorted(v.time_s, at, "right") - 1, 0, None)].tolist() for name, v in voices.items()
    }
    counter = next((s for s in message.signals if s.counter is not None), None)
    checksums = [s.checksum for s in message.signals if s.checksum is not None]
    mux = message.multiplexer
    pages = sorted({p for s in message.signals for p in s.mux_values}) if mux is not None else []
    fed = [s for s in message.signals if s.name in held]
    count = counter.counter.low if counter is not None and counter.counter is not None else 0
    known: dict[tuple[int, ...], bytes] = {}
    for n in range(len(at)):
        page = pages[n % len(pages)] if pages else 0
        key = (page, count, *(held[s.name][n] for s in fed))
        done = known.get(key)
        if done is None:
            data = bytearray(message.length)
            if mux is not None:
                mux.layout.pack(data, page)
            for signal in fed:
                if not signal.mux_values or page in signal.mux_values:
                    signal.layout.pack(data, held[signal.name][n])
            if counter is not None:
                counter.layout.pack(data, count)
            for checksum in checksums:
                checksum.insert(data)
            done = known[key] = bytes(data)
        yield bytearray(done)
        if counter is not None and counter.counter is not None:
            count = counter.counter.after(count)


def _compare(case: Case, one: Reproduced) -> Check | None:
    made, old, new, tested = one.made, one.old, one.new, one.tested
    use = old.measured
    begin, end = max(old.time_s[0], new.time_s[0]) + 1.0, min(old.time_s[-1], new.time_s[-1]) - 1.0
    moments = np.arange(begin, end, EVERY_S)
    rows = np.searchsorted(old.time_s, moments, "right") - 1
    keep = (rows >= 0) & use[rows]
    moments, recorded = moments[keep], old.raw[rows[keep]]
    if len(moments) < 20:
        return None
    a = np.maximum(np.searchsorted(new.time_s, moments - 0.1, "left") - 1, 0)
    b = np.maximum(np.searchsorted(new.time_s, moments + WINDOW_S, "right"), a + 1)
    target = case.reference.targets[made.bus, made.message.word].signals.get(made.signal.name)
    limits = target.limits() if target is not None else None
    if limits is not None:  # what lies beyond them is cut on purpose
        recorded = np.clip(recorded, *limits)
    number = made.signal.layout.length > 6 and not made.signal.choices
    if number and "accumulate" in made.functions and (np.diff(recorded) < 0).any():
        return _same_pace(made, moments, recorded, new, tested)
    span = int(recorded.max() - recorded.min())
    room = max(2, int(SHARE * span)) if number else 0
    low = np.array([new.raw[i:j].min() for i, j in zip(a.tolist(), b.tolist(), strict=True)])
    high = np.array([new.raw[i:j].max() for i, j in zip(a.tolist(), b.tolist(), strict=True)])
    right = (recorded >= low - room) & (recorded <= high + room)
    kinds = (5 * (recorded - recorded.min()) // max(span + 1, 1)) if number else recorded
    shares = [float(right[kinds == k].mean()) for k in np.unique(kinds) if (kinds == k).sum() >= 5]
    share = float(np.mean(shares)) if shares else 1.0
    whole = limits is None or (not one.crosses and max(int(recorded.max()), int(new.raw.max())) < limits[1])
    like = _scaled(made, moments, recorded, new) if number and whole else None
    least = LEAST_REPRODUCED if one.crosses or number else LEAST_OF_ITS_OWN
    fine = share >= least and (like is None or like.same_scale(find_kind(made.signal)))
    how = (
        "values from the stimulus or this recording"
        if tested
        else "map not tested: values from the map itself, so only the rule"
    )
    measured = f"{100 * share:.0f} % as it was sent ({how})"
    if not fine:
        cause = _cause(made, moments, recorded, new)
        measured += f"; {cause}"
        case.tables.curves.append(
            DifferingCurve(
                f"{made.label}, said again",
                cause,
                made.signal.unit,
                thin(old.time_s[use], old.values[use]),
                thin(new.time_s, new.values),
            )
        )
    return check_of(
        "own words",
        made.label,
        "repeats what the old sender sent",
        fine,
        measured,
        "what the absent computer sent in this same recording",
        "correct its rule in the bridge file, or the signal in the map",
    )


def _same_pace(made: SentSignal, moments: Floats, recorded: npt.NDArray[np.int64], new: Track, tested: bool) -> Check:
    """A total that wrapped: where it stands says nothing, and how fast it grows is what it means."""
    step = max(1, round(PACE_S / EVERY_S))
    now = new.raw[np.maximum(np.searchsorted(new.time_s, moments + LATE_S, "right") - 1, 0)]
    near = np.diff(moments[::step]) < 2 * PACE_S
    then_grew, now_grew = np.diff(recorded[::step]), np.diff(now[::step])
    both = near & (then_grew >= 0) & (now_grew >= 0)  # neither wrapped in between
    pace = float(now_grew[both].sum()) / max(1.0, float(then_grew[both].sum()))
    moves = then_grew[both].std() > 0 < now_grew[both].std()
    along = float(np.corrcoef(then_grew[both], now_grew[both])[0, 1]) if moves else 0.0
    how = (
        "values from the stimulus or this recording"
        if tested
        else "map not tested: values from the map itself, so only the rule"
    )
    return check_of(
        "own words",
        made.label,
        "grows as what the old sender sent",
        abs(pace - 1) <= PACE and along >= PACE_ALONG,
        f"{100 * pace:.0f} % of its pace, correlation {along:.2f} ({how})",
        f"its pace within {100 * PACE:.0f} %, and a correlation of {PACE_ALONG:g} at least",
        "correct its rule in the bridge file, or the signal in the map",
    )


def _asked(case: Case, one: Reproduced) -> Iterator[Check]:
    """How much was asked for in each request, beside how much is asked for now: it is short, and its depth counts."""
    made, old, new = one.made, one.old, one.new
    target = case.reference.targets[made.bus, made.message.word].signals.get(made.signal.name)
    limits = target.limits() if target is not None else None
    raw = np.clip(old.raw, *limits) if limits is not None else old.raw
    values, counts = np.unique(raw[old.measured], return_counts=True)
    if len(values) < 2:
        return
    nothing, span = int(values[counts.argmax()]), int(values[-1] - values[0])
    asks = old.measured & (np.abs(raw - nothing) > SHARE * span)
    edges = np.flatnonzero(np.diff(np.r_[False, asks, False].astype(np.int8)))
    scale, unit = float(made.signal.scale), made.signal.unit
    zero = float(made.signal.offset) / scale
    off, sizes = [], []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        a, b = np.searchsorted(new.time_s, (old.time_s[first] - 0.1, old.time_s[end - 1] + WINDOW_S))
        if b > a:
            most, now = (int(part[np.abs(part - nothing).argmax()]) for part in (raw[first:end], new.raw[a:b]))
            off.append(now - most)
            sizes.append(abs(most + zero))
    if len(off) < FEWEST_REQUESTS:
        return
    middle, room = float(np.median(off)), max(DEPTH * float(np.median(sizes)), DEPTH_OF_SPAN * span)
    yield check_of(
        "own words",
        made.label,
        "asks for as much",
        abs(middle) <= room,
        f"{middle * scale:+.3g} {unit} in the middle of {len(off)} requests",
        f"within {room * abs(scale):.3g} {unit} of what the absent computer asked for",
        "correct its rule in the bridge file, or the signal in the map",
    )


def _scaled(made: SentSignal, moments: Floats, recorded: npt.NDArray[np.int64], new: Track) -> Likeness | None:
    """What was said beside what is sent: a scale that is a little off agrees with most low values."""
    values = recorded.astype(np.float64) * float(made.signal.scale) + float(made.signal.offset)
    return beside(moments, values, new, new.values, new.measured)


def _cause(made: SentSignal, moments: Floats, recorded: npt.NDArray[np.int64], new: Track) -> str:
    rows = np.maximum(np.searchsorted(new.time_s, moments + 0.15, "right") - 1, 0)
    x, y = new.raw[rows].astype(np.float64), recorded.astype(np.float64)
    if made.signal.choices or made.signal.layout.length <= 6:
        return "other codes, another flag, or an inverted one"
    if x.std() == 0 or y.std() == 0:
        shift = float(np.median(y) - np.median(x)) * float(made.signal.scale)
        return (
            f"offset: {shift:+.4g} {made.signal.unit} is missing".rstrip() if x.std() == y.std() else "another quantity"
        )
    slope, offset = (float(v) for v in np.polyfit(x, y, 1))
    offset = offset * float(made.signal.scale) + float(made.signal.offset) * (1 - slope)
    span = float(np.ptp(y)) * abs(float(made.signal.scale))
    return Likeness(0.0, slope, offset, float(np.corrcoef(x, y)[0, 1]), 0.0, len(x), span).cause()
