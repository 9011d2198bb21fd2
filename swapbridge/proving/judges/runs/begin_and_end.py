"""Proving room: first and last frames: a message begins after its bus wakes or the key comes on, and ends with its bus.

What the old sender did is the measure. Each is timed from what happened to the vehicle (its bus woke, the key came on,
every module fell silent), not from the plan's states, so that a state that comes late, or never ends, shows too.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.language.bridge_file import Written
from swapbridge.plan.plan import Send
from swapbridge.proving.bench.bench import frames_of, simulate
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.bench.nodes import SECOND
from swapbridge.proving.bench.traffic import Traffic, at_other_times, words_of
from swapbridge.proving.case import Case, reads
from swapbridge.proving.judges.behaviour.asleep import ASLEEP_S, LONGER_S, LONGEST_SLEEP_S, SETTLED_S, key_of
from swapbridge.proving.verdict import Check, check_of

Floats = npt.NDArray[np.float64]
LEAD_S, PIECE_S = 3.0, 6.0
"""What is played before all buses fall silent: the first waking, and the last seconds before a recorded sleep."""
LATE_S, LATE_PERIODS = 1.0, 5
"""A module that waits so much longer than it used to has set its fault code (common practice, no source)."""
EARLY_S, EARLY_PERIODS = 1.0, 2
BESIDE_S = 0.05
"""Messages of one sender begin within so much, and their own period, of what they did before."""
NOTED_S = 0.005
"""Frames that wait for each other on a bus move by less; what begins later still begins later on purpose."""
FEWEST = 3


@dataclass(frozen=True, slots=True)
class FallingAsleep:
    """What the plan sends while the traffic of all buses ends at one moment, in seconds of a run of its own."""

    at_s: float
    sent: dict[tuple[int, int], Frames]


@dataclass(frozen=True, slots=True)
class _Beginnings:
    """The old sender's first frames: seconds after the bus woke, or after the key came on; or not known which."""

    after_wake: list[float]
    after_key: list[float]
    untold: list[float]


def judge_begin_and_end(case: Case, falling: FallingAsleep) -> list[Check]:
    """Two checks for each message that the old sender's recording holds: its first frame, and its last."""
    out: list[Check] = []
    for send in (s for s in case.plan.sends if s.request is None and s.period_us and not s.once):
        old, new = case.old(send.bus, send.word), case.sent.get((send.bus, send.word))
        if old is None or len(old) < FEWEST or new is None or not len(new):
            continue
        out += _begins(case, send, old, new)
        out += _ends(case, send, old, falling)
    return [*out, *_begin_together(case)]


# --- the last frame


def falling_asleep(case: Case) -> FallingAsleep:
    """Play the first waking and the seconds before a recorded sleep, end all traffic at one moment, and wait."""
    until = LEAD_S + PIECE_S
    traffic = tuple(_ended_at(t, int(until * SECOND)) for t in case.bench.traffic)
    run = simulate(
        case.bench, case.make, traffic=traffic, until_ns=int((until + LONGEST_SLEEP_S + LONGER_S) * SECOND),
        record=False,
    )  # fmt: skip
    return FallingAsleep(until, {key: frames_of(rows) for key, rows in run.by_word().items()})


def _ended_at(traffic: Traffic, at_ns: int) -> Traffic:
    """The beginning of a bus's traffic, then what came before it slept, moved so that its last frame is then."""
    if not len(traffic):
        return traffic
    start = traffic.start_ns
    slept = np.flatnonzero(np.diff(start) > ASLEEP_S * SECOND)
    end = int(start[slept[-1]] if len(slept) else start[-1])
    late = np.flatnonzero((start > end - PIECE_S * SECOND) & (start <= end))
    early = np.flatnonzero((start < LEAD_S * SECOND) & (start <= end - PIECE_S * SECOND))
    release = np.concatenate([traffic.release_ns[early], traffic.release_ns[late] - end + at_ns]).astype(np.int64)
    return at_other_times(traffic, release, np.concatenate([early, late]).astype(np.int64))


def _ends(case: Case, send: Send, old: Frames, falling: FallingAsleep) -> Iterator[Check]:
    """How long it goes on after every module fell silent, beside how long the old sender did."""
    ours = falling.sent.get((send.bus, send.word))
    if ours is None:
        return
    tail = float(ours.time_ns[-1]) / 1e9 - falling.at_s
    known = old_ends(case, send, old)
    before = max(known, default=0.0)
    shown = "no recording shows the old sender fall asleep"
    if known:
        shown = (
            f"the old sender {f'for {before:.1f} s' if before > 0 else f'stopped {-before:.1f} s before the others'}"
        )
    limit = max(before, 0.0) + LONGER_S + max(_period_s(send, old), SETTLED_S)
    yield check_of(
        "form", send.name, "after every module falls silent", tail <= limit,
        f"goes on for {max(tail, 0.0):.1f} s; {shown}",
        f"at most {limit:.1f} s: frames on a sleeping bus wake its modules again, and the battery runs down",
        _sooner(case, send, tail, limit) + ("" if known else "; record the old sender once until its bus sleeps"),
        otherwise="fail" if known else "unproved",
    )  # fmt: skip


def _sooner(case: Case, send: Send, tail: float, limit: float) -> str:
    """What to write so that it ends in time."""
    sleep_s = max((bus.silent_us for bus in case.plan.buses), default=0) / 1e6
    other = "shorten the last_ms of this message, or write with_bus = true for it"
    room_ms = int(10 * (limit - max(tail - sleep_s, 0.0))) * 100
    return f"write sleep_after_ms = {room_ms} under [states]; or {other}" if room_ms > 0 else other


def old_ends(case: Case, send: Send, old: Frames) -> list[float]:
    """Seconds from the last frame of the others on its bus to the old sender's last, for each recorded sleep."""
    others, times, apart = _others_s(case, send.bus), old.time_ns / 1e9, _apart_s(send, old)
    if not len(others):
        return []
    silent = np.flatnonzero(np.diff(others) > ASLEEP_S)
    out = []
    for begin, end in _runs(times, apart):
        asleep = [
            (float(others[i]), float(others[i + 1])) for i in silent if begin <= others[i] and others[i + 1] > end
        ]
        if asleep:
            out.append(end - asleep[0][0])
        elif float(others[-1]) - end > apart:
            out.append(end - float(others[-1]))
    return out


# --- the first frame


def _begins(case: Case, send: Send, old: Frames, new: Frames) -> Iterator[Check]:
    """Its first frame after what the old sender waited for: the bus, or the key."""
    found = _old_beginnings(case, send, old)
    period_s = _period_s(send, old)
    first = float(new.time_ns[0]) / 1e9
    traffic = case.bench.traffic[send.bus]
    woke = float(traffic.start_ns[0]) / 1e9 if len(traffic) else 0.0
    keyed = _first_key_on(case)
    by_key = bool(found.after_key) and not found.after_wake
    delays = found.after_key if by_key else found.after_wake
    certain = bool(delays) and not (by_key and keyed is None)
    before = delays if certain else [*delays, *found.untold]
    if not before:
        return
    begun = first - (keyed if certain and by_key and keyed is not None else woke)
    latest = max(0.0, *before) + max(LATE_S, LATE_PERIODS * period_s)
    earliest = min(before) - max(EARLY_S, EARLY_PERIODS * period_s)
    event = "the key comes on" if certain and by_key else "its bus wakes"
    late = begun > latest
    yield check_of(
        "form", send.name, f"first frame after {event}", earliest <= begun <= latest,
        f"{begun:.1f} s; the old sender {_between(before)} s",
        f"between {earliest:.1f} and {latest:.1f} s, as the old sender began"
        + ("" if certain else "; no recording shows whether it waited for the key"),
        "let it be sent in an earlier state, or shorten its delay_ms" if late else
        "let it wait: delay_ms, or states that begin later", otherwise="fail" if late and certain else "unproved",
    )  # fmt: skip


def _begin_together(case: Case) -> Iterator[Check]:
    """Messages of one sender begin side by side: one that lags behind the others now is missed by its readers.

    Only what may begin in one state is compared: how long a driver waits between two of them says nothing.
    """
    groups: dict[tuple[int, tuple[str, ...], int], list[Send]] = {}
    for send in case.plan.sends:
        message = case.maps[case.names[send.bus]].by_word(send.word)
        if send.request is None and send.period_us and message is not None:
            groups.setdefault((send.bus, message.senders, send.states & -send.states), []).append(send)
    for sends in groups.values():
        both = [(s, case.old(s.bus, s.word), case.sent.get((s.bus, s.word))) for s in sends]
        pairs = [(s, old, new) for s, old, new in both if old is not None and new is not None and len(old) >= FEWEST]
        then = [[begin for begin, _ in _runs(old.time_ns / 1e9, _apart_s(send, old))] for send, old, _ in pairs]
        now = [[begin for begin, _ in _runs(new.time_ns / 1e9, _apart_s(send, old))] for send, old, new in pairs]
        for number, (send, old, _) in enumerate(pairs):
            was, is_now = max(_behind(then, number)), float(np.median(_behind(now, number)))
            most = was + BESIDE_S + _period_s(send, old)
            yield check_of(
                "form", send.name, "begins beside its sender's others", is_now <= was + NOTED_S,
                f"{1000 * is_now:.0f} ms after the first of them; the old sender at most {1000 * was:.0f} ms",
                f"at most {1000 * (was + NOTED_S):.0f} ms: no recording shows modules that wait for longer",
                "shorten its delay_ms in the bridge file", otherwise="unproved" if is_now > most else "open",
            )  # fmt: skip


def _behind(begins: list[list[float]], number: int) -> list[float]:
    """Seconds from the first of its sender's messages to each beginning of one; 0 where none began shortly before."""
    all_s = np.sort(np.concatenate([np.array(b) for b in begins]))
    return [begin - float(all_s[np.searchsorted(all_s, begin - LATE_S)]) for begin in begins[number]]


def _old_beginnings(case: Case, send: Send, old: Frames) -> _Beginnings:
    """Each of the old sender's beginnings, by what came last before it."""
    others, key = _others_s(case, send.bus), key_of(case, send.bus)
    found = _Beginnings([], [], [])
    if not len(others):
        return found
    wakes = np.r_[others[:1], others[1:][np.diff(others) > ASLEEP_S]]
    on = key_ons(key.time_s, key.values) if key is not None else np.array([])
    for begin, _ in _runs(old.time_ns / 1e9, _apart_s(send, old)):
        spoken, coming = others[others <= begin + SETTLED_S], others[others > begin]
        if not len(spoken) or begin - float(spoken[-1]) > ASLEEP_S:  # it woke its bus itself, or was alone on it
            if len(coming):
                found.after_wake.append(begin - float(coming[0]))
            continue
        woke = wakes[wakes <= begin + SETTLED_S]
        keyed = on[(on <= begin + SETTLED_S) & (on > woke[-1])]
        later = on[(on > begin + SETTLED_S)]
        if len(keyed):
            found.after_key.append(begin - float(keyed[-1]))
        elif key is not None and len(later):
            found.after_wake.append(begin - float(woke[-1]))
        else:
            found.untold.append(begin - float(woke[-1]))
    return found


def key_bus(case: Case) -> int | None:
    """The bus whose drive selects the plan's states, where the key of that drive is known."""
    rules = case.bridge.states
    for rule in (rules.key_on, rules.crank, rules.run):
        for bus in sorted(_read_by(case, rule)):
            if key_of(case, bus) is not None:
                return bus
    return None


def _first_key_on(case: Case) -> float | None:
    """When the key first comes on in the drive that selects the plan's states."""
    bus = key_bus(case)
    key = key_of(case, bus) if bus is not None else None
    on = key_ons(key.time_s, key.values) if key is not None else np.array([])
    return float(on[0]) if len(on) else None


def _read_by(case: Case, rule: Written | None) -> set[int]:
    return {case.names.index(b) for b, _, _ in reads(case.bridge, rule)[0] if b in case.names} if rule else set()


def key_ons(time_s: Floats, on: Floats) -> Floats:
    """Moments at which a key that was off comes on."""
    return time_s[1:][(on[1:] > 0) & (on[:-1] <= 0)]


def _others_s(case: Case, bus: int) -> Floats:
    """Recorded times of other senders' frames on a bus."""
    capture = case.bench.captures[bus]
    if capture is None:
        return np.array([])
    sent = [s.word for s in case.plan.sends if s.bus == bus]
    times: Floats = (capture.time_ns[~np.isin(words_of(capture), sent)] - case.bench.begin_ns[bus]) / 1e9
    return times


def _runs(times: Floats, apart_s: float) -> list[tuple[float, float]]:
    """First and last of the stretches in which a sender goes on."""
    cuts = np.flatnonzero(np.diff(times) > apart_s)
    return list(zip(times[np.r_[0, cuts + 1]].tolist(), times[np.r_[cuts, len(times) - 1]].tolist(), strict=True))


def _apart_s(send: Send, old: Frames) -> float:
    return max(ASLEEP_S, 3 * _period_s(send, old))


def _period_s(send: Send, old: Frames) -> float:
    return max(send.period_us / 1e6, float(np.median(np.diff(old.time_ns))) / 1e9)


def _between(seconds: list[float]) -> str:
    low, high = f"{min(seconds):.1f}", f"{max(seconds):.1f}"
    return low if low == high else f"{low} to {high}"
