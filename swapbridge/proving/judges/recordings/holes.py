"""Proving room: finds times in which a vehicle was awake but the recording lacks all frames or one message."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from swapbridge.proving.bench.frame_rows import Frames
from swapbridge.proving.case import Case, Track
from swapbridge.proving.judges.recordings.driving import RUNNING_RPM
from swapbridge.proving.verdict import Check, check_of

Floats = npt.NDArray[np.float64]
QUIET_S = 1.0
"""A bus that is awake is never without frames for so long."""
ANSWERS = 3
MUCH_S, MUCH_SHARE = 3.0, 0.03
BIN_S = 0.5
TOGETHER = 0.98
PAUSED_S = 3.0
MUCH_OF_A_MESSAGE = 0.1
"""Silent for more of the time that it should have spoken, a message that is read was not heard well enough."""


def judge_holes(case: Case) -> list[Check]:
    """One check a recording, and one for each message of the plan that paused while its neighbours spoke."""
    out: list[Check] = []
    for bus in range(len(case.names)):
        if case.bench.captures[bus] is not None:
            out += _whole_bus(case, bus)
            out += _messages(case, bus)
    return out


def _whole_bus(case: Case, bus: int) -> Iterator[Check]:
    capture = case.bench.captures[bus]
    assert capture is not None
    times = (capture.time_ns - case.bench.begin_ns[bus]) / 1e9
    gaps = np.flatnonzero(np.diff(times) > QUIET_S)
    tracks = [
        t for m, s in case.by_role(bus, "engine_speed") if (t := case.recorded_track(bus, m, s)) is not None
    ]  # fmt: skip
    holes = []
    for row in gaps.tolist():
        begin, end = float(times[row]), float(times[row + 1])
        if _answered(case, bus, begin, end) or any(_ran_at_both_ends(t, begin, end) for t in tracks):
            holes.append((begin, end))
    missing = sum(end - begin for begin, end in holes)
    shown = ", ".join(f"{end - begin:.1f} s from second {begin:.0f} on" for begin, end in holes[:4])
    if len(holes) > 4:
        shown = f"{missing:.1f} s in {len(holes)} holes, the first {shown}"
    much = missing > max(MUCH_S, MUCH_SHARE * float(times[-1] - times[0]))
    yield check_of(
        "evidence",
        f"bus {case.names[bus]}",
        "no holes",
        not holes,
        f"no frame for {shown}, while the vehicle was awake" if holes else "frames whenever the vehicle was awake",
        "frames for as long as the vehicle is awake",
        f"record bus {case.names[bus]} again: the recorder paused, or frames were removed",
        otherwise="unproved" if much else "open",
    )


def _answered(case: Case, bus: int, begin: float, end: float) -> bool:
    """A scan tool read values meanwhile: somebody answered it."""
    stimulus = case.stimuli.get(case.names[bus])
    if stimulus is None:
        return False
    inside = [c.time_s[(c.time_s > begin + 0.5) & (c.time_s < end - 0.1)] for c in stimulus.channels.values() if c.unit]
    return sum(len(t) for t in inside) >= ANSWERS


def _ran_at_both_ends(track: Track, begin: float, end: float) -> bool:
    """The engine ran in the last frame before and in the first one after: it was never off."""
    rows = np.flatnonzero(track.measured)
    before, after = rows[track.time_s[rows] <= begin], rows[track.time_s[rows] >= end]
    if not len(before) or not len(after):
        return False
    last, first = int(before[-1]), int(after[0])
    near = begin - track.time_s[last] < QUIET_S and track.time_s[first] - end < 0.2
    return bool(near and min(track.values[last], track.values[first]) > RUNNING_RPM and track.signal.unit)


def _messages(case: Case, bus: int) -> Iterator[Check]:
    """Messages that are read or sent, silent while those that always speak with them spoke."""
    read = {m.word for number, m in case.heard if number == bus}
    words = read | {s.word for s in case.plan.sends if s.bus == bus and s.request is None and not s.once}
    frames = {w: f for w in words if (f := case.old(bus, w)) is not None and len(f) > 20}
    capture = case.bench.captures[bus]
    assert capture is not None
    seconds = float(capture.time_ns[-1] - case.bench.begin_ns[bus]) / 1e9
    there = {w: _active(f, seconds) for w, f in frames.items() if _regular(f)}
    for word, mine in there.items():
        silent = _silent_alone(mine, [a for w, a in there.items() if w != word])
        total = float(silent.sum()) * BIN_S
        message = case.maps[case.names[bus]].by_word(word)
        if total < PAUSED_S or message is None:
            continue
        begin = float(silent.argmax()) * BIN_S
        much = word in read and silent.sum() > MUCH_OF_A_MESSAGE * (silent | mine).sum()
        yield check_of(
            "evidence",
            f"{case.names[bus]}.{message.name}",
            "no holes",
            False,
            f"silent for {total:.0f} s (first at second {begin:.0f}) while those that always speak with it spoke",
            "frames whenever the messages beside it have some",
            "nothing was judged for that time: record again, unless its module was switched off on purpose",
            otherwise="unproved" if much else "open",
        )


def _regular(frames: Frames) -> bool:
    gaps = np.diff(frames.time_ns)
    return float(np.median(gaps)) < BIN_S * 1e9 / 2


def _active(frames: Frames, seconds: float) -> npt.NDArray[np.bool_]:
    bins = np.zeros(int(seconds / BIN_S) + 1, bool)
    bins[(frames.time_ns / 1e9 / BIN_S).astype(int).clip(0, len(bins) - 1)] = True
    return bins


def _silent_alone(mine: npt.NDArray[np.bool_], others: list[npt.NDArray[np.bool_]]) -> npt.NDArray[np.bool_]:
    """Where the tightest of those that speak whenever this one does speak on, and it speaks again before they stop."""
    with_it = [o for o in others if (o & mine).sum() >= TOGETHER * mine.sum()]
    silent = np.zeros(len(mine), bool)
    if not with_it:
        return silent
    tightest = min(with_it, key=lambda o: int(o.sum()))
    edges = np.flatnonzero(np.diff(np.r_[False, tightest, False].astype(np.int8)))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        spoke = np.flatnonzero(mine[a:b])
        if len(spoke):
            first, last = a + int(spoke[0]), a + int(spoke[-1])
            silent[first:last] = ~mine[first:last]
    return silent
