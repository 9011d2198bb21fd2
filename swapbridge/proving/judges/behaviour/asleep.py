"""Proving room: messages sent with the key off: they keep a bus awake, and the battery runs down.

What the old sender did is the measure: whether it spoke before the key came on, and how long after it went off.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.vocabulary import KEY_OFF_WORDS
from swapbridge.core.vocabulary import plain as same_name
from swapbridge.plan.plan import Send
from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.case import Case, reads
from swapbridge.proving.judges.recordings.driving import (
    CRANKING_RPM,
    RUNNING_RPM,
    BenchQuantity,
    channel_of,
    engine_speed,
    held_at,
)
from swapbridge.proving.verdict import Check, check_of

Floats = npt.NDArray[np.float64]
GRID_S = 0.01
SETTLED_S = 0.3
"""Near a move of the key nothing is judged: notes of it are no more exact."""
ASLEEP_S = 1.0
"""A bus without frames for so long sleeps."""
PAUSES = 2
FEWEST_PERIODS = 3
SILENT, TALKS = 0.1, 0.5
LONGER_S = 2.0
SHORTER_S = 0.5
LONGEST_SLEEP_S = 30.0
"""Modules agree to sleep within 1 to 5 s of the last need (common practice, no source); this is several times as long.

It decides only where no recording shows the old sender fall asleep: otherwise that is the measure.
"""


@dataclass(frozen=True, slots=True)
class _KeyOff:
    """Times awake before the key came on, with it on and the engine standing, and with it off again; who else spoke."""

    waiting: list[tuple[float, float]]
    standing: list[tuple[float, float]]
    gone: list[tuple[float, float]]
    others_s: Floats


def judge_asleep(case: Case) -> list[Check]:
    """Up to three checks for each sent message whose old sender can be heard with the key off."""
    rule = case.bridge.states.key_on
    counted_by = [case.names.index(b) for b, _, _ in (reads(case.bridge, rule)[0] if rule else ()) if b in case.names]
    if not counted_by:
        return []
    engine = next((n for n, b in enumerate(case.bridge.buses) if b.holds_engine), None)
    now = _key_off(case, counted_by[0], engine)
    before = {bus: _key_off(case, bus, None) for bus in {s.bus for s in case.plan.sends}}
    out: list[Check] = list(_sleeps(case))
    for send in (s for s in case.plan.sends if s.request is None):
        old, new, then = case.old(send.bus, send.word), case.sent.get((send.bus, send.word)), before[send.bus]
        if (
            old is not None
            and new is not None
            and now is not None
            and then is not None
            and len(old) > 2
            and len(new) > 2 * (not send.once)
        ):
            if send.once:
                out += _greets(send, old, new, then, now)
                continue
            out += _before_key(send, old, new, then, now)
            out += _before_start(send, old, new, then, now)
            out += _after_key(case, send, old, new, then, now)
    return out


def _key_off(case: Case, bus: int, engine: int | None) -> _KeyOff | None:
    """When the key of a bus's drive was off, and no engine of another drive ran; None where nothing shows it."""
    key, capture = key_of(case, bus), case.bench.captures[bus]
    if key is None or capture is None:
        return None
    frames_s = (capture.time_ns - case.bench.begin_ns[bus]) / 1e9
    grid = np.arange(0.0, float(frames_s[-1]) + GRID_S, GRID_S)
    keyed = held_at(key, grid) > 0
    speed = engine_speed(case, bus if engine is None else engine)
    rpm = np.zeros(len(grid))
    if speed is not None:  # a scan tool's last reading says nothing of what came after it
        last = speed.time_s[np.maximum(np.searchsorted(speed.time_s, grid, "right") - 1, 0)]
        rpm = np.where(grid - last < ASLEEP_S, np.nan_to_num(held_at(speed, grid)), 0.0)
    on = keyed if engine is None else keyed | (rpm > RUNNING_RPM)
    rows = np.searchsorted(frames_s, grid, "right") - 1
    awake = (rows >= 0) & (grid - frames_s[np.maximum(rows, 0)] < ASLEEP_S)
    gone = _stretches(~on, grid)
    first = float(grid[on.argmax()]) if on.any() else np.inf
    waiting = []
    for begin, end in _stretches(~on & awake, grid):
        woke = begin <= first or not any(abs(begin - b) < 2 * GRID_S for b, _ in gone)
        if woke and end - SETTLED_S > begin:
            waiting.append((begin, end - SETTLED_S))
    sent = {s.word for s in case.plan.sends if s.bus == bus}
    others = frames_s[~np.isin(words_of(capture), list(sent))]
    still = [(b + 2 * SETTLED_S, e - SETTLED_S) for b, e in _stretches(keyed & (rpm < CRANKING_RPM), grid)]
    standing = [(b, e) for b, e in still if e > b] if speed is not None else []
    return _KeyOff(waiting, standing, [g for g in gone if g[0] > first], others)


def key_of(case: Case, bus: int) -> BenchQuantity | None:
    """1 with the key on, 0 with it off: by the stimulus, else by the map."""
    channel = channel_of(case, bus, "key_state")
    if channel is not None and len(channel.time_s):
        off = [n for n, text in enumerate(channel.texts) if same_name(text) in KEY_OFF_WORDS] if channel.texts else [0]
        values = (~np.isin(channel.value, off)).astype(np.float64)
        return BenchQuantity(channel.time_s, values, np.ones(len(values), bool)) if off else None
    track = case.role_track(bus, "key_state")
    if track is None:
        return None
    off = [raw for raw, text in track.signal.choices.items() if same_name(text) in KEY_OFF_WORDS] or [0]
    return BenchQuantity(track.time_s, (~np.isin(track.raw, off)).astype(np.float64), track.measured)


def _stretches(true: npt.NDArray[np.bool_], grid: Floats) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.r_[False, true, False].astype(np.int8)))
    return [
        (float(grid[a]), float(grid[b - 1])) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]


def _before_key(send: Send, old: Frames, new: Frames, then: _KeyOff, now: _KeyOff) -> Iterator[Check]:
    """Frames from waking until the key comes on."""
    found = _spoken(send, (old, then.waiting), (new, now.waiting))
    if found is None:
        return
    was, is_now = found
    talks, silent = was < SILENT and is_now > TALKS, was > TALKS and is_now < SILENT
    yield check_of(
        "form",
        send.name,
        "before the key comes on",
        not (talks or silent),
        f"sent {100 * is_now:.0f} % of that time; the old sender {100 * was:.0f} %",
        "as the old sender did: sending with the key off keeps a bus awake, and a silent module may be missed",
        'take "wake" out of its states in the bridge file'
        if talks
        else 'add "wake" to its states, or make sure that no module misses it before the key comes on',
        otherwise="fail" if talks else "open",  # to wait for the key spares the battery, and may be meant
    )


def _sleeps(case: Case) -> Iterator[Check]:
    """How long a bus must be silent before the plan lets it sleep: till then it goes on sending."""
    for number, bus in enumerate(case.plan.buses):
        capture = case.bench.captures[number]
        if capture is not None:
            yield _stays_awake(case, number, capture)
        yield check_of(
            "form", f"bus {bus.name}", "falls asleep", bus.silent_us <= 1e6 * LONGEST_SLEEP_S,
            f"counts as asleep after {bus.silent_us / 1e6:g} s without a frame", f"at most {LONGEST_SLEEP_S:g} s: what "
            "is sent meanwhile keeps the other modules awake, and the battery runs down",
            "shorten sleep_after_ms in the bridge file",
        )  # fmt: skip


def _stays_awake(case: Case, number: int, capture: Capture) -> Check:
    """A bus that pauses for longer than the plan waits counts as asleep, and all that is sent stops."""
    bus = case.plan.buses[number]
    own = [send.word for send in case.plan.sends if send.bus == number]
    gaps = np.diff(capture.time_ns[~np.isin(words_of(capture), own)]) / 1e9
    pause = float(gaps[gaps < ASLEEP_S].max(initial=0.0))
    return check_of(
        "form", f"bus {bus.name}", "stays awake", bus.silent_us >= 1e6 * PAUSES * pause,
        f"counts as asleep after {bus.silent_us / 1e6:g} s without a frame; others paused for up to {pause:.2f} s",
        f"at least {PAUSES * pause:.2f} s, twice the longest pause of a bus that was awake: the next may be longer",
        f"write sleep_after_ms = {1000 * math.ceil(PAUSES * pause)} or more under [states]", otherwise="unproved",
    )  # fmt: skip


def _greets(send: Send, old: Frames, new: Frames, then: _KeyOff, now: _KeyOff) -> Iterator[Check]:
    """Messages sent once after waking: a module that wakes with the key misses what came before."""
    if not then.waiting or not now.waiting:
        return
    was, is_now = (
        sum(int(((times >= begin - GRID_S) & (times <= end)).sum()) for begin, end in key.waiting)
        for times, key in ((old.time_ns / 1e9, then), (new.time_ns / 1e9, now))
    )
    yield check_of(
        "form", send.name, "before the key comes on", bool(was) or not is_now,
        "sent before the key comes on; the old sender never did" if is_now and not was else
        "as the old sender did",
        "with the key, as the old sender did: a module that wakes with the key misses an earlier frame",
        'take "wake" out of its states in the bridge file', otherwise="unproved",
    )  # fmt: skip


def _before_start(send: Send, old: Frames, new: Frames, then: _KeyOff, now: _KeyOff) -> Iterator[Check]:
    """Frames with the key on and the engine standing."""
    found = _spoken(send, (old, then.standing), (new, now.standing))
    if found is None:
        return
    was, is_now = found
    yield check_of(
        "form",
        send.name,
        "before the engine turns",
        was < TALKS or is_now > SILENT,
        f"sent {100 * is_now:.0f} % of that time; the old sender {100 * was:.0f} %",
        "what the old sender sent with the key on: modules wait for it before they let an engine start",
        'add "key_on" to its states in the bridge file',
    )


def _spoken(send: Send, *both: tuple[Frames, list[tuple[float, float]]]) -> tuple[float, float] | None:
    """How much of its frames the old sender sent in such times, and the plan in its own; None where they are short."""
    period_s = _period_s(send, both[0][0])
    shares = []
    for frames, stretches in both:
        waited = sum(end - begin for begin, end in stretches)
        if waited < FEWEST_PERIODS * period_s:
            return None
        times = frames.time_ns / 1e9
        count = sum(int(((times >= begin) & (times <= end)).sum()) for begin, end in stretches)
        shares.append(min(1.0, count * period_s / waited))
    return shares[0], shares[1]


def _after_key(case: Case, send: Send, old: Frames, new: Frames, then: _KeyOff, now: _KeyOff) -> Iterator[Check]:
    """How long it goes on after the key went off: as long as others send, or until it stops by itself."""
    period_s = _period_s(send, old)
    before, is_now = _talked_on(old.time_ns / 1e9, then, period_s), _talked_on(new.time_ns / 1e9, now, period_s)
    if not before or not is_now:
        return
    if max(before) > max(SHORTER_S, 2 * period_s) and max(is_now) < max(before) / 3:
        yield check_of(
            "form",
            send.name,
            "after the key goes off",
            False,
            f"stops {max(is_now):.1f} s after key-off; the old sender went on for {max(before):.1f} s",
            "about as long as the old sender",
            'add "after_run" to its states, or lengthen after_run_ms; or make sure that no module misses it',
            otherwise="open",
        )
        return
    until = [_last_before(then.others_s, begin, end) for begin, end in then.gone]
    whole = all(ended >= last - ASLEEP_S for ended, last in zip(before, until, strict=True))
    most = max(before)
    if whole:
        sleep_s = min(max(b.silent_us for b in case.plan.buses) / 1e6, LONGEST_SLEEP_S)
        most = max(most, *(_last_before(now.others_s, begin, end) + sleep_s for begin, end in now.gone))
    yield check_of(
        "form",
        send.name,
        "after the key goes off",
        max(is_now) <= most + LONGER_S + period_s,
        f"goes on for {max(is_now):.1f} s, the old sender for {max(before):.1f} s",
        f"at most {most + LONGER_S:.1f} s: a module that sends for longer keeps the bus awake",
        'shorten after_run_ms, or take "wake" out of its states in the bridge file',
    )


def _last_before(times: Floats, begin: float, end: float) -> float:
    """How long after the beginning of a stretch somebody spoke last."""
    inside = times[(times >= begin) & (times <= end)]
    gaps = np.flatnonzero(np.diff(np.r_[begin, inside]) > ASLEEP_S)
    inside = inside[: int(gaps[0])] if len(gaps) else inside
    return float(inside[-1]) - begin if len(inside) else 0.0


def _talked_on(times: Floats, key: _KeyOff, period_s: float) -> list[float]:
    """How long a message went on, without a gap, after each time that the key went off."""
    found = []
    for begin, end in key.gone:
        mine = times[(times >= begin) & (times <= end)]
        gaps = np.flatnonzero(np.diff(np.r_[begin, mine]) > max(3 * period_s, ASLEEP_S))
        mine = mine[: int(gaps[0])] if len(gaps) else mine
        found.append(float(mine[-1]) - begin if len(mine) else 0.0)
    return found


def _period_s(send: Send, old: Frames) -> float:
    return max(send.period_us / 1e6, float(np.median(np.diff(old.time_ns))) / 1e9)
