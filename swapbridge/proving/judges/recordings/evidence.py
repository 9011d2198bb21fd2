"""Proving room: whether these recordings can support a verdict at all; without that nothing is proved.

The right recordings, long enough, whole, with the engine running in them, and every message that the bridge file reads
heard in them, fresh, with its checksum, counter and period as the map says.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import BusIdentifier, format_identifier, split_word
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import find_unit
from swapbridge.language.bridge_file import MessageOptions
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.case import Case
from swapbridge.proving.judges.frames.form import PAUSE_NS, PAUSE_PERIODS, WRONG_FAILS, WRONG_NOTED, old_form
from swapbridge.proving.judges.recordings.driving import (
    DRIVEN_KMH,
    BenchQuantity,
    channel_of,
    engine_speed,
    running_seconds,
    vehicle_speed,
    whole_starts,
)
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage
from swapbridge.surveying.lost import frames_lost

SHORTEST_S = 30.0
"""A key cycle with a start takes about so long; a shorter one holds no warm-up, idling and load."""
IDENTITY = 0.8
"""Share of the identifiers of the bridge file that must be heard; below it the recording is of something else."""
LOST_NOTED, LOST_TOO_MANY = 0.02, 0.25
FRESH = 0.9
LATE_PERIODS, LATE_S = 20, 2.0
"""Timeouts are commonly several periods (common practice, no source); beyond both, a lost source shows too late."""
PERIOD_OFF = 0.25
MOST_STEPS = 0.5
"""Of a counter's steps that may count as right: of wrong frames, as many are believed."""
CLOCK_OFF, CLOCKS_ALIKE, FEWEST_CLOCKS, FEWEST_PERIODS = 0.002, 0.001, 4, 50
"""Crystals agree to 0.01 % (data sheets: 100 ppm at most). If all senders are off alike, the recorder's clock is."""
RUNNING_S = 5.0
SPOILED = 0.01
RUNS_ON, LOOKED_AT = 0.9, 512
"""Four bits that no signal claims, others in so many frames, count or check; so many frames are looked at."""
SCAN_TOOL = ("engine_speed", "coolant_temperature", "vehicle_speed")
"""What every engine computer answers a scan tool (SAE J1979, service 01: 0C, 05 and 0D)."""
START_PERIODS, START_GAP_S = 5, 0.1
"""An engine is cranked for a fifth of a second at least (common practice, no source): no such gap hides that."""
COVERED = 0.8
"""Share of the stimulus that the recording must cover; where it ends long before, it was cut."""


def judge_evidence(case: Case) -> list[Check]:
    """One check a bus for each thing a recording needs, one for each message that is read."""
    out: list[Check] = []
    for number, name in enumerate(case.names):
        capture = case.bench.captures[number]
        if capture is None:
            if _used(case, number):
                out.append(
                    check_of(
                        "evidence",
                        f"bus {name}",
                        "recording",
                        False,
                        "none",
                        "a recording of each of the plan's buses",
                        f"choose a recording of bus {name} (in a terminal: --donor, --host or --capture {name}=FILE)",
                        otherwise="unproved",
                    )
                )
            continue
        out += _recording(case, number, name, capture)
        out += [*_engine(case, number, name), *_measured(case, number, name), *_clock(case, number, name)]
    for number, message in case.heard:
        if case.bench.captures[number] is not None:
            out += _listened(case, number, message)
    return out


def _used(case: Case, bus: int) -> set[int]:
    """Identifiers of a bus that the bridge file reads or sends, those that come once left out."""
    sent = {s.word for s in case.plan.sends if s.bus == bus and s.request is None and not s.once}
    return sent | {m.word for number, m in case.heard if number == bus}


def _recording(case: Case, number: int, name: str, capture: Capture) -> Iterator[Check]:
    where = f"bus {name}"
    file = capture.source or "the recording"
    again = f"record bus {name} again, completely, from asleep to asleep"

    def need(what: str, ok: bool, measured: str, required: str, remedy: str = again, noted: bool = False) -> Check:
        return check_of(
            "evidence", where, what, ok, measured, required, remedy, otherwise="open" if noted else "unproved"
        )

    data = int(capture.is_data.sum())
    yield need("data frames", data >= 0.5 * len(capture), f"{data:,} of {len(capture):,} frames", "mostly data frames")
    seconds = capture.duration_s
    yield need("length", seconds >= SHORTEST_S, f"{seconds:.0f} s", f"at least {SHORTEST_S:.0f} s")
    used = _used(case, number)
    there = set(words_of(capture).tolist())
    heard = used & there
    if used:
        missing = ", ".join(format_identifier(*split_word(w)) for w in sorted(used - there))
        yield need(
            "identity",
            len(heard) >= IDENTITY * len(used),
            f"{len(heard)} of {len(used)} identifiers of the bridge file heard"
            + (f"; not {missing}" if missing else ""),
            "all of them",
            f"is {file} of this vehicle, with nothing unplugged? Give the right one, or correct the map of {name}",
        )
    gone = [s.name for s in case.plan.sends if s.bus == number and s.request is None and s.word not in there]
    late = [s.name for s in case.plan.sends if s.name in gone and s.once]
    for send in gone:
        yield need(
            f"{send} as it was",
            False,
            "no frame of the old sender",
            "frames of what the plan sends, to judge it by",
            f"record bus {name} with the old sender in place, from before the bus wakes",
            noted=send in late,
        )
    yield from _reading(case, number, name, capture, need("", True, "", ""))
    counters = _counters(case, number)
    key = "lost", number, *((word, *places) for word, places in counters.items())
    lost = case.once(key, lambda: frames_lost(capture, counters))
    share = lost.share(name)
    if share is None:
        return
    yield need(
        "frames lost",
        share <= LOST_NOTED,
        f"{100 * share:.1f} % of the frames are missing" if share > 0.0005 else "none by counters or clock",
        "none; counters and gaps are judged with allowance for what is missing",
        f"record bus {name} again with a recorder that keeps up; pauses of the sender itself look like lost frames",
        noted=share <= LOST_TOO_MANY,
    )


def _reading(case: Case, number: int, name: str, capture: Capture, like: Check) -> Iterator[Check]:
    notes = capture.notes
    damage = "; ".join(notes.sentences())
    spoiled = notes.unreadable_lines > SPOILED * max(1, len(capture)) or notes.duplicates > SPOILED * len(capture)
    broken = bool(notes.stopped) or spoiled
    yield check_of(
        "evidence",
        like.subject,
        "file",
        not damage,
        damage or "read to its end",
        "complete, every line a frame",
        f"copy the recording of bus {name} again from where it was made, or record again",
        otherwise="unproved" if broken else "open",
    )
    stimulus = case.stimuli.get(name)
    times = [c.time_s for c in stimulus.channels.values() if len(c.time_s)] if stimulus is not None else []
    if stimulus is None or not times:
        yield check_of(
            "evidence",
            like.subject,
            "stimulus",
            False,
            "no stimulus file beside the recording" if stimulus is None else "its stimulus file holds no reading",
            "a record of what was done to the vehicle, to check the map's scales, units and codes",
            "record with a script or a scan tool beside it (swapbridge guide recordings), or put its .csv beside it",
            otherwise="unproved",
        )
        return
    first, last = min(float(t[0]) for t in times), max(float(t[-1]) for t in times)
    end = float(capture.time_ns[-1] - case.bench.begin_ns[number]) / 1e9
    covered = (min(last, end) - max(first, 0.0)) / max(last - first, 1e-9)
    yield check_of(
        "evidence",
        like.subject,
        "stimulus",
        covered >= COVERED,
        f"{len(stimulus.channels)} channels; the recording covers {100 * max(0.0, covered):.0f} % of them",
        f"at least {100 * COVERED:.0f} %: a recording that ends long before its stimulus was cut",
        f"copy the recording of bus {name} again from where it was made, or record again",
        otherwise="unproved",
    )


def _counters(case: Case, bus: int) -> Mapping[BusIdentifier, Sequence[tuple[Layout, Counter]]]:
    """Counters of the messages that are used, as the survey room takes them."""
    out: dict[BusIdentifier, list[tuple[Layout, Counter]]] = {}
    for message in case.maps[case.names[bus]].messages:
        found = [(s.layout, s.counter) for s in message.signals if s.counter is not None and not s.mux_values]
        if found:
            out[case.names[bus], message.identifier, message.extended] = found
    return out


def _clock(case: Case, number: int, name: str) -> Iterator[Check]:
    """The recorder's clock, by the periods of all senders: only the recorder can make all of them wrong alike."""
    ratios, senders = [], set()
    for message in case.maps[name].messages:
        frames = case.old(number, message.word) if message.word in _used(case, number) else None
        if frames is None or not message.period_ms:
            continue
        gaps_ms = np.diff(frames.time_ns) / 1e6
        usual = gaps_ms[np.abs(gaps_ms / float(message.period_ms) - 1) < 0.5]
        if len(usual) >= FEWEST_PERIODS:
            ratios.append(float(usual.mean()) / float(message.period_ms))
            senders |= set(message.senders)
    if len(ratios) < FEWEST_CLOCKS or len(senders) < 2 or np.ptp(ratios) > CLOCKS_ALIKE:
        return
    off = float(np.median(ratios)) - 1
    yield check_of(
        "evidence",
        f"bus {name}",
        "the recorder's clock",
        abs(off) <= CLOCK_OFF,
        f"{100 * abs(off):.2f} % {'fast' if off > 0 else 'slow'} by the periods of {len(ratios)} messages",
        f"within {100 * CLOCK_OFF:g} % of the periods that the map says",
        "record again with another recorder, or correct the periods in the map: one of the two is wrong throughout",
        otherwise="open",
    )


def _engine(case: Case, number: int, name: str) -> Iterator[Check]:
    """Whether the engine ran, and was driven, while this was recorded."""
    speed = engine_speed(case, number)
    if speed is None:
        yield check_of(
            "evidence",
            f"bus {name}",
            "engine states",
            False,
            "engine speed is not known on this bus",
            "stopped, cranking and running seen",
            "give a signal of its map the role engine_speed, or put a stimulus file beside the recording",
            otherwise="unproved",
        )
        return
    seconds = running_seconds(speed)
    driven = vehicle_speed(case, number)
    top = float(driven.values[driven.measured].max()) if driven is not None and driven.measured.any() else None
    words = f"running {seconds:.0f} s"
    if top is not None:
        words += f", up to {top:.0f} km/h"
    yield check_of(
        "evidence",
        f"bus {name}",
        "engine runs",
        seconds >= RUNNING_S,
        words,
        f"running for {RUNNING_S:.0f} s",
        "record a start, idling and a drive: with the engine stopped, nothing that it says can be judged",
        otherwise="unproved",
    )
    yield from _starts(case, number, name)
    if top is not None and top < DRIVEN_KMH:
        yield check_of(
            "evidence",
            f"bus {name}",
            "driven",
            False,
            words,
            "speed, gears and torque under way",
            "record a drive: shifts, speed and torque under load were never seen",
            otherwise="open",
        )


def _starts(case: Case, number: int, name: str) -> Iterator[Check]:
    """Whether the engine was cranked while this was recorded; a scan tool reads too seldom to see it."""
    speed = case.role_track(number, "engine_speed")
    if speed is None or len(speed.time_s) < 2:
        return
    gaps_s = np.diff(speed.time_s)
    found = find_unit(speed.signal.unit, case.bridge.units)
    if found.kind != find_unit("rpm").kind:
        return
    rpm = speed.values * float(found.conversion(find_unit("rpm"))[0])
    longest_s = max(START_PERIODS * float(np.median(gaps_s)), START_GAP_S)
    starts, whole = whole_starts(BenchQuantity(speed.time_s, rpm, speed.measured), longest_s)
    yield check_of(
        "evidence",
        f"bus {name}",
        "cranking",
        whole > 0,
        f"{whole} of {starts} starts recorded whole",
        "a start without a gap, from standing still over cranking until the engine runs",
        "record a start: what modules say and need while the engine is cranked was never seen",
        otherwise="unproved",
    )


def _measured(case: Case, number: int, name: str) -> Iterator[Check]:
    """What every scan tool reads stands beside a recording from which it is read, or whose old sender said it.

    J1939 groups have a published layout, so nobody has to find their scale.
    """
    if case.stimuli.get(name) is None:
        return
    used: set[str] = set()
    places = {(name, made.message.name, made.signal.name) for made in case.made if made.bus == number and made.sources}
    for place in places | {place for made in case.made for place in made.sources if place[0] == name}:
        message = case.maps[name].message(place[1])
        signal = message.signal(place[2]) if message is not None and not message.is_group else None
        if signal is not None and signal.role in BY_NAME:
            used.add(BY_NAME[signal.role].alias)
    missing = [
        alias.replace("_", " ") for alias in SCAN_TOOL if alias in used and channel_of(case, number, alias) is None
    ]
    yield check_of(
        "evidence",
        f"bus {name}",
        "measured beside it",
        not missing,
        f"not {', '.join(missing)}" if missing else "all that every scan tool reads",
        "engine speed, coolant temperature and vehicle speed, where the plan has them: else a wrong scale may hide",
        "record again with these on the scan tool",
        otherwise="unproved",
    )


def _listened(case: Case, number: int, message: MapMessage) -> Iterator[Check]:
    """A message that is read: heard, fresh, right."""
    bus = case.names[number]
    label = f"{bus}.{message.name}"
    frames = case.old(number, message.word)
    if frames is None or len(frames) < 2:
        hint = _stranger(case, number, message)
        yield check_of(
            "evidence",
            label,
            "heard",
            False,
            f"never{hint}",
            "heard in its recording",
            f"check the identifier of {message.label} in the map; or record bus {bus} with its sender connected",
            otherwise="unproved",
        )
        return
    usual = int(np.median(frames.length))
    if usual > message.length:
        yield check_of(
            "evidence", label, "length", False, f"{usual} bytes, where its map says {message.length}",
            "as long as its map says", f"set the length of {message.name} to {usual}, and look at what was missing",
            otherwise="unproved",
        )  # fmt: skip
    form = old_form(case, number, message, frames)
    age_ns = case.reference.max_age_us(number, message.word) * 1000
    share = fresh_share(frames, age_ns) if age_ns else 1.0
    yield check_of(
        "evidence",
        label,
        "fresh",
        share >= FRESH,
        f"{100 * share:.0f} % of the time",
        f"at least {100 * FRESH:.0f} %: a frame within {age_ns / 1e6:g} ms",
        f"state its true period in the map (recorded: {form.period_ms:.4g} ms), or a longer max_age_ms",
        otherwise="unproved",
    )
    longest_ns = max(LATE_PERIODS * form.period_ms * 1e6, LATE_S * 1e9)
    if age_ns > longest_ns:
        yield check_of(
            "evidence",
            label,
            "missed in time",
            False,
            f"counts for {age_ns / 1e9:.3g} s after its last frame, which came every {form.period_ms:.4g} ms",
            f"at most {longest_ns / 1e9:.3g} s: until then what is sent is long out of date",
            f'shorten max_age_ms of [sources."{label}"] in the bridge file',
        )
    options = next((o for o in case.bridge.sources if o.message.text == label), None)
    yield from _believed(label, options, message, form.period_ms)
    period_us = (options.period_us if options else None) or int((message.period_ms or 0) * 1000)
    steady = form.late_ms - form.early_ms <= 0.5 * form.period_ms
    if period_us and form.period_ms and steady and form.count > 10:
        off = abs(form.period_ms * 1000 / period_us - 1)
        yield check_of(
            "evidence",
            label,
            "period",
            off <= PERIOD_OFF,
            f"{form.period_ms:.4g} ms",
            f"{period_us / 1000:g} ms, as the map says",
            f"set the period of {message.name} to {form.period_ms:.4g} ms",
        )
    verified = options is None or options.verify
    loose = unclaimed(frames, message) if verified else "verify = false in the bridge file"
    if loose:
        yield check_of(
            "evidence",
            label,
            "checked as it comes",
            False,
            loose,
            "counter and checksum of what is read in its map, and checked",
            f"find them with `swapbridge guess` and put them into the map: until then a frame of {message.name} is "
            "believed even if it is damaged or repeats without change",
            otherwise="open",
        )
    if not verified:
        return
    yield from integrity(
        label, form.checksum_bad, form.checksum_seen, "checksum", "the translator would discard every frame"
    )
    if form.counter_bad is not None:
        yield from integrity(label, form.counter_bad, form.count - 1, "counter", "the translator would discard frames")


def _believed(label: str, options: MessageOptions | None, message: MapMessage, period_ms: float) -> Iterator[Check]:
    """Options of a source that make its check empty, or keep it out for long after one bad frame."""
    waits = max(options.first or 0, options.recover or 0) if options is not None else 0
    longest_s = max(LATE_PERIODS * period_ms / 1000, LATE_S)
    if waits * period_ms / 1000 > longest_s:
        yield check_of(
            "evidence",
            label,
            "believed again in time",
            False,
            f"only after {waits} good frames: {waits * period_ms / 1000:.3g} s",
            f"within {longest_s:.3g} s: until then its safe answers are sent, whatever it says",
            f'lower first and recover of [sources."{label}"] in the bridge file',
        )
    for counter in (s.counter for s in message.signals if s.counter is not None):
        lost, steps = (options.lost_ok or 0) if options is not None else 0, counter.high - counter.low + 1
        right = min(lost + 1, steps - 1)
        if right > MOST_STEPS * steps:
            yield check_of(
                "evidence",
                label,
                "its counter is checked",
                False,
                f"{right} of {steps} steps count as right, with lost_ok = {lost}",
                f"at most {100 * MOST_STEPS:.0f} % of them: nearly any wrong frame would be believed",
                f'lower lost_ok of [sources."{label}"] in the bridge file',
                otherwise="unproved",
            )


def unclaimed(frames: Frames, message: MapMessage) -> str:
    """Which bits that no signal claims run on with every frame, where the map has no counter or no checksum; or ""."""
    if any(s.counter for s in message.signals) and any(s.checksum for s in message.signals):
        return ""
    claimed = {p for s in message.signals for p in s.layout.positions}
    payload = frames.payload[frames.length >= message.length][:LOOKED_AT, : message.length]
    if len(payload) < LOOKED_AT // 4:
        return ""
    found = []
    for nibble in range(2 * message.length):
        if claimed.isdisjoint(range(4 * nibble, 4 * nibble + 4)):
            bits = payload[:, nibble // 2] >> (4 * (nibble % 2)) & 15
            if (np.diff(bits) != 0).mean() >= RUNS_ON:
                found.append(nibble // 2)
    byte_list = ", ".join(str(n) for n in dict.fromkeys(found))
    return f"byte {byte_list} differs in nearly every frame and belongs to no signal of the map" if found else ""


def integrity(label: str, bad: int, seen: int, what: str, consequence: str) -> Iterator[Check]:
    """A checksum or counter of the map against recorded frames."""
    if not seen:
        return
    share = bad / seen
    yield check_of(
        "evidence",
        label,
        what,
        share <= WRONG_NOTED,
        f"{seen - bad:,} of {seen:,} right by the map's rule",
        f"all: {consequence}",
        f"find the {what}'s rule again with `swapbridge guess`, and put it into the map",
        otherwise="fail" if share > WRONG_FAILS else "unproved",
    )


def fresh_share(frames: Frames, age_ns: int) -> float:
    """Share of the time between first and last frame, pauses left out, in which a frame was no older than that."""
    gaps = np.diff(frames.time_ns)
    if not len(gaps):
        return 0.0
    typical = float(np.median(gaps))
    inside = gaps[gaps <= max(PAUSE_PERIODS * typical, PAUSE_NS)]
    return float(np.minimum(inside, age_ns).sum() / max(1, inside.sum()))


def _stranger(case: Case, number: int, message: MapMessage) -> str:
    """Which identifier that no map knows looks like a message that is never heard."""
    capture = case.bench.captures[number]
    if capture is None or not message.period_ms:
        return ""
    known = {m.word for m in case.maps[case.names[number]].messages}
    for word in sorted(set(words_of(capture).tolist()) - known, key=lambda w: abs(w - message.word)):
        frames = case.bench.recorded(number, word)
        if frames is None or len(frames) < 10:
            continue
        period = float(np.median(np.diff(frames.time_ns))) / 1e6
        if abs(period - float(message.period_ms)) < 0.1 * period and int(frames.length[0]) == message.length:
            return f"; {format_identifier(*split_word(word))}, which no map knows, comes every {period:.3g} ms"
    return ""


def misfit(error: InputError, bus: str) -> Check:
    """A stimulus that can't be laid beside its recording."""
    return check_of(
        "evidence",
        f"bus {bus}",
        "stimulus",
        False,
        str(error),
        "a stimulus of the same session",
        "give the stimulus that was recorded with it, or remove the wrong one",
        otherwise="unproved",
    )
