"""Asking room: what a gauge shows for a value: a field is swept up and down while a person marks the needle's passing.

A damped needle lags behind the sweep by its time constant times the speed of the sweep. The lags of the two directions
are opposite, so the needle would come to rest half way between them; what remains of the difference after the lag is
hysteresis. Where the needle rests while the sweep goes on, the person says so, and both ends of that band are stored.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise

from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.roles import find_role
from swapbridge.signalmap.signal_map import MapSignal

S = 1_000_000_000
REST_SHARE = 0.004
LOOK_S = 3.0
"""A person calls a needle still when this share of a step is left, after looking at it for so long."""
SHORTEST_WALK_S, LONGEST_WALK_S = 60.0, 3600.0
WALK_TIME_CONSTANTS = 18.0
"""A walk takes so many time constants: its lag is then some 6 % of the way, and cancels from both sides."""
ROUNDS = 2
"""Walks up and down: what a person sees is noisy."""
TURN_TIME_CONSTANTS = 3.0
LEFT_SHARE = 0.025
"""A person says that a needle has left its rest when it is off by this share of the span, about its own width.

A needle leaves slowly at first, so a smaller share is seen at a less certain moment: with 0.01, 3 of 40 simulated
trials missed 2 % between marks, with this none.
"""
FITS = 3
"""Rounds of fitting; beside a rest zone, plain marks are only fitted in the last one, once its ends are found."""
BEND_SHARE = 0.0075
"""A plain mark follows its fit the more, the more this share of the span it would move the needle: less is noise."""
LOOK_STEP_S = 0.25
LINE_SHARE = 0.01
"""A straight scale is offered for the map where no mark is further from it than this share of the span."""
NEVER_SWEPT = ("vehicle_speed", "wheel_speed", "distance", "fuel_used")
"""Roles that are never swept: a cluster writes its distance from them."""


class GaugeStage(Enum):
    """What goes on, in words for the person."""

    LOW = "at the low end: press when the needle is still"
    STEP = "one step to the high end: press when the needle is still again"
    BACK = "back to the low end: press when the needle is still"
    UP = "going up: press at each mark as the needle passes it"
    DOWN = "going down: press at each mark as the needle passes it"
    DONE = "done"


def check_field(signal: MapSignal) -> None:
    """Refuse a field that must not be swept.

    Raises
    ------
    RefusedError
    """
    if signal.role in {find_role(name).name for name in NEVER_SWEPT}:
        raise RefusedError(
            f"{signal.name} is a speed or a distance, from which a cluster counts kilometres: it is never swept"
        )
    if signal.is_float or signal.mux_signal is not None:
        raise RefusedError(f"{signal.name} is a float or multiplexed: only plain numbers can be swept")
    if signal.counter is not None or signal.checksum is not None:
        raise RefusedError(f"{signal.name} is a counter or a checksum: name the field that the gauge shows")


@dataclass(frozen=True, slots=True)
class Point:
    """One mark: the raw value that rests there, and how sure that is.

    Attributes
    ----------
    mark : float
    raw : float
        Half way between the two sides; the middle of a plateau where the needle rests on one.
    error : float
        How far it may be off, in raw steps.
    hysteresis : float
        What is left between the two sides once the lag is taken away, in raw steps; 0 on a plateau.
    plateau : tuple of float or None
        First and last raw value at which the needle rests at this mark.
    """

    mark: float
    raw: float
    error: float
    hysteresis: float
    plateau: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class GaugeTable:
    """What the trial found.

    Attributes
    ----------
    points : tuple of Point
        By rising raw value.
    settling_s : float
        How long the needle needs to rest after a step.
    line : tuple of float or None
        Scale and offset (shown = raw * scale + offset) where the gauge is straight.
    remarks : tuple of str
    """

    points: tuple[Point, ...]
    settling_s: float
    line: tuple[float, float] | None
    remarks: tuple[str, ...] = ()

    def shown(self, raw: float) -> float:
        """What the needle shows for a raw value, by straight lines between the points, flat beyond."""
        return _between(list(self.corners()), raw)

    def corners(self) -> tuple[tuple[float, float], ...]:
        """Points (raw, shown) of the table, both ends of a plateau."""
        out: list[tuple[float, float]] = []
        for point in self.points:
            ends = (point.raw,) if point.plateau is None else point.plateau
            out += [(max(end, out[-1][0]) if out else end, point.mark) for end in ends]
        return tuple(out)


@dataclass(slots=True)
class GaugeTrial:
    """Walks a field: a pure state machine over key presses and the time.

    Parameters
    ----------
    values : sequence of int
        Raw values that a recording heard: only these are ever sent.
    marks : sequence of float
        The gauge's printed marks, from the one that the lowest value shows to the highest's.

    Raises
    ------
    InputError
        Too few values or marks.
    """

    values: Sequence[int]
    marks: Sequence[float]
    stage: GaugeStage = GaugeStage.LOW
    settling_ns: int = 0
    _values: tuple[int, ...] = ()
    _since_ns: int | None = None
    _paused_ns: int = 0
    _pause_began_ns: int | None = None
    _floor_ns: int = 0
    _rests: list[int] = field(default_factory=list)
    _rested: set[float] = field(default_factory=set)
    _resting: bool = False
    _walks: list[tuple[GaugeStage, tuple[float, ...]]] = field(default_factory=list)
    _passed: dict[GaugeStage, list[float]] = field(default_factory=lambda: {GaugeStage.UP: [], GaugeStage.DOWN: []})

    def __post_init__(self) -> None:
        self._values = tuple(sorted(set(self.values)))
        if len(self._values) < 8:
            raise InputError(
                f"the recording holds {len(self._values)} different values of this field: record its whole range"
            )
        rising = all(a < b for a, b in pairwise(self.marks))
        falling = all(a > b for a, b in pairwise(self.marks))
        if len(self.marks) < 2 or not (rising or falling):
            raise InputError("give two or more marks, in order from the lowest value to the highest")

    @property
    def span(self) -> int:
        return self._values[-1] - self._values[0]

    @property
    def walk_s(self) -> float:
        """How long one way takes: as many time constants as the needle's damping wants."""
        return min(LONGEST_WALK_S, max(SHORTEST_WALK_S, WALK_TIME_CONSTANTS * self._constant_s))

    @property
    def _constant_s(self) -> float:
        """The needle's time constant, from how long it takes to rest."""
        return max(0.1, self.settling_ns / 1e9 - LOOK_S) / -math.log(REST_SHARE)

    @property
    def next_mark(self) -> float | None:
        """The mark that is waited for."""
        if self.stage not in self._passed:
            return None
        return self._order()[len(self._passed[self.stage])]

    def _order(self) -> tuple[float, ...]:
        """Marks in the order of this walk."""
        return tuple(self.marks) if self.stage is GaugeStage.UP else tuple(reversed(self.marks))

    def raw(self, now_ns: int) -> int:
        """The value to be sent now."""
        return self._heard(self._at(now_ns))

    def press(self, now_ns: int) -> None:
        """The person pressed: the needle is still, passes the mark waited for, or leaves one where it rested."""
        self._start(now_ns)
        waited = self._elapsed(now_ns)
        if self.stage is GaugeStage.LOW:
            self._enter(GaugeStage.STEP, now_ns)
        elif self.stage is GaugeStage.STEP:
            self._rests.append(waited)
            self._enter(GaugeStage.BACK, now_ns)
        elif self.stage is GaugeStage.BACK:
            self._rests.append(waited)
            self.settling_ns = sum(self._rests) // len(self._rests)
            self._enter(GaugeStage.UP, now_ns)
        elif self.stage in self._passed:
            self._pass(waited / 1e9, now_ns)

    def rest(self, now_ns: int, *, last: bool = False) -> None:
        """The person saw the needle come to rest at a mark though the walk goes on; `press` follows when it leaves.

        Parameters
        ----------
        last : bool
            It rests at the mark that was passed last, not at the one that is waited for.
        """
        self._start(now_ns)
        if self.stage not in self._passed or self._resting:
            return
        walked, passed = self._elapsed(now_ns) / 1e9, self._passed[self.stage]
        if walked >= self.walk_s or walked < self._constant_s:  # every needle rests at the ends of a walk
            if not last:
                self._pass(walked, now_ns)
            return
        if last and passed:
            passed.pop()
        self._resting = True

    def skip(self, now_ns: int) -> None:
        """The person missed a mark, or it is not reached."""
        self._start(now_ns)
        if self.stage in self._passed:
            self._pass(math.nan, now_ns)

    def pause(self, now_ns: int) -> None:
        """Sending stopped: the walk stands still until `resume`."""
        if self._pause_began_ns is None and self._since_ns is not None:
            self._pause_began_ns = now_ns

    def resume(self, now_ns: int) -> None:
        """Sending goes on; the needle gets its time to settle before the walk does."""
        if self._pause_began_ns is not None:
            self._floor_ns = self._elapsed(now_ns)
            self._paused_ns += now_ns - self._pause_began_ns + self.settling_ns
            self._pause_began_ns = None

    def result(self) -> GaugeTable:
        """The table, once both ways are done.

        Raises
        ------
        InputError
            They are not, or fewer than two marks were passed from both sides.
        """
        if self.stage is not GaugeStage.DONE:
            raise InputError("the trial is not finished: both directions are needed")
        sides = (GaugeStage.UP, GaugeStage.DOWN)
        both = [mark for mark in self.marks if all(self._seen(mark, stage) is not None for stage in sides)]
        missed = [mark for mark in self.marks if mark not in both]
        if len(both) < 2:
            raise InputError("fewer than two marks were passed in both directions: sweep again")
        points = self._points(both)
        remarks = [f"mark {mark:g} was not passed from both sides and is left out" for mark in missed]
        for before, after in pairwise(points):
            if after.raw <= before.raw:
                remarks.append(f"marks {before.mark:g} and {after.mark:g} came in the wrong order: sweep again")
        for point in points:
            if point.plateau is not None:
                low, high = point.plateau
                remarks.append(f"the needle rests at {point.mark:g} from raw {low:.0f} to {high:.0f}")
        return GaugeTable(points, self.settling_ns / 1e9, _line(points), tuple(remarks))

    def _points(self, both: list[float]) -> tuple[Point, ...]:
        """Fit the table: where it lies wrong, the needle that it predicts passes at another time than was seen."""
        speed = self.span / self.walk_s
        where = {mark: self._first_guess(mark) for mark in both}
        off: dict[tuple[float, GaugeStage], float] = {}
        for turn in range(FITS):
            corners = [(place, mark) for mark in both for place in where[mark]]
            rising = sorted(corners, key=lambda corner: corner[0])
            runs = {stage: self._predicted(stage, rising) for stage in (GaugeStage.UP, GaugeStage.DOWN)}
            for mark in both:
                for stage, run in runs.items():
                    seen = self._seen(mark, stage)
                    found = _time_at(run, mark, leaving=self._band if mark in self._rested else 0.0)
                    sign = 1 if stage is GaugeStage.UP else -1
                    off[mark, stage] = 0.0 if found is None or seen is None else sign * speed * (seen - found)
                up, down = off[mark, GaugeStage.UP], off[mark, GaugeStage.DOWN]
                ends = where[mark]
                if len(ends) == 2:
                    where[mark] = (self._within(ends[0] + down), self._within(ends[1] + up))
                elif not self._rested or turn == FITS - 1:
                    moved = (up + down) / 2
                    sure = (moved * _steepness(rising, mark)) ** 4
                    where[mark] = (self._within(ends[0] + moved * sure / (sure + BEND_SHARE**4)),)
        gaps = {
            mark: off[mark, GaugeStage.UP] - off[mark, GaugeStage.DOWN] for mark in both if mark not in self._rested
        }
        typical = sorted(gaps.values())[len(gaps) // 2] if gaps else 0.0
        out = []
        for mark in both:
            ends, gap = where[mark], gaps.get(mark, typical)
            error = max(0.5, 0.002 * self.span, abs(gap - typical) / 2)
            plateau = (min(ends), max(ends)) if len(ends) == 2 else None
            out.append(Point(mark, sum(ends) / len(ends), error, 0.0 if plateau else max(0.0, gap), plateau))
        return tuple(out)

    @property
    def _band(self) -> float:
        return LEFT_SHARE * abs(self.marks[-1] - self.marks[0])

    def _first_guess(self, mark: float) -> tuple[float, ...]:
        """Half way between the two sides; both of them where the needle rested."""
        speed, low, high = self.span / self.walk_s, self._values[0], self._values[-1]
        up, down = self._seen(mark, GaugeStage.UP), self._seen(mark, GaugeStage.DOWN)
        assert up is not None
        assert down is not None
        u, d = self._within(low + speed * up), self._within(high - speed * down)
        return (min(u, d), max(u, d)) if mark in self._rested else ((u + d) / 2,)

    def _seen(self, mark: float, stage: GaugeStage) -> float | None:
        """When the mark was passed in walks of one direction, on average; None where it never was."""
        order = list(self.marks if stage is GaugeStage.UP else reversed(self.marks))
        times = [walk[order.index(mark)] for direction, walk in self._walks if direction is stage]
        times = [time for time in times if not math.isnan(time)]
        return min(sum(times) / len(times), self.walk_s) if times else None

    def _predicted(self, stage: GaugeStage, corners: list[tuple[float, float]]) -> list[tuple[float, float]]:
        """Time and needle of a walk over a table, by the needle's time constant."""
        low, high, speed = self._values[0], self._values[-1], self.span / self.walk_s
        begin = low if stage is GaugeStage.UP else high
        shows, out = _between(corners, begin), []
        follow = 1 - math.exp(-LOOK_STEP_S / self._constant_s)
        for step in range(int(self.walk_s / LOOK_STEP_S) + 1):
            time = step * LOOK_STEP_S
            out.append((time, shows))
            place = begin + speed * time if stage is GaugeStage.UP else begin - speed * time
            shows += (_between(corners, place) - shows) * follow
        return out

    def _within(self, place: float) -> float:
        return min(max(place, self._values[0]), self._values[-1])

    def _pass(self, walked_s: float, now_ns: int) -> None:
        passed = self._passed[self.stage]
        if self._resting:
            self._rested.add(self._order()[len(passed)])
        self._resting = False
        passed.append(walked_s)
        if len(passed) < len(self.marks):
            return
        self._walks.append((self.stage, tuple(passed)))
        passed.clear()
        done = len(self._walks) == 2 * ROUNDS
        self._enter(
            GaugeStage.DONE if done else GaugeStage.DOWN if self.stage is GaugeStage.UP else GaugeStage.UP, now_ns
        )

    def _enter(self, stage: GaugeStage, now_ns: int) -> None:
        self.stage, self._since_ns, self._paused_ns, self._pause_began_ns = stage, now_ns, 0, None
        self._floor_ns = 0
        if stage in self._passed:  # a walk ends at its last mark: the rest of the way and its settling come first
            self._since_ns = now_ns + round(TURN_TIME_CONSTANTS * self._constant_s * 1e9)

    def _start(self, now_ns: int) -> None:
        if self._since_ns is None:
            self._since_ns = now_ns

    def _elapsed(self, now_ns: int) -> int:
        if self._since_ns is None:
            return 0
        end = now_ns if self._pause_began_ns is None else self._pause_began_ns
        return max(self._floor_ns, end - self._since_ns - self._paused_ns)

    def _at(self, now_ns: int) -> float:
        self._start(now_ns)
        low, high = self._values[0], self._values[-1]
        share = min(1.0, self._elapsed(now_ns) / 1e9 / self.walk_s)
        if self.stage is GaugeStage.UP:
            return low + share * (high - low)
        if self.stage is GaugeStage.DOWN:
            return high - share * (high - low)
        return high if self.stage is GaugeStage.STEP else low

    def _heard(self, wanted: float) -> int:
        at = bisect_left(self._values, wanted)
        return min(self._values[max(0, at - 1) : at + 1], key=lambda value: abs(value - wanted))


def _between(corners: list[tuple[float, float]], place: float) -> float:
    """A table's value at a place: straight lines, flat beyond the ends."""
    if place <= corners[0][0]:
        return corners[0][1]
    for (x0, y0), (x1, y1) in pairwise(corners):
        if place <= x1:
            return y1 if x1 <= x0 else y0 + (y1 - y0) * (place - x0) / (x1 - x0)
    return corners[-1][1]


def _steepness(corners: list[tuple[float, float]], mark: float) -> float:
    """Share of the shown span that a raw step moves the needle, about a mark."""
    at = next(n for n, corner in enumerate(corners) if corner[1] == mark)
    (x0, y0), (x1, y1) = corners[max(0, at - 1)], corners[min(len(corners) - 1, at + 1)]
    span = abs(corners[-1][1] - corners[0][1])
    return abs(y1 - y0) / max(1e-9, x1 - x0) / max(1e-9, span)


def _time_at(run: list[tuple[float, float]], mark: float, *, leaving: float) -> float | None:
    """When a needle passes a mark, or leaves it by `leaving` for good; None where it never does."""
    first = run[0][1]
    sign = 1 if run[-1][1] >= first else -1
    aim = mark + sign * leaving
    if not leaving and sign * (first - aim) >= 0:
        return 0.0
    for (t0, y0), (t1, y1) in pairwise(run):
        if sign * (y1 - aim) >= 0 and y1 != y0:
            return t0 + (t1 - t0) * min(1.0, max(0.0, (aim - y0) / (y1 - y0)))
    return None


def _line(points: tuple[Point, ...]) -> tuple[float, float] | None:
    """Scale and offset by least squares, where every mark lies close to the line."""
    xs, ys = [p.raw for p in points], [p.mark for p in points]
    mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
    spread = sum((x - mean_x) ** 2 for x in xs)
    if not spread or any(p.plateau for p in points):
        return None
    scale = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / spread
    offset = mean_y - scale * mean_x
    span = abs(ys[-1] - ys[0])
    worst = max(abs(y - scale * x - offset) for x, y in zip(xs, ys, strict=True))
    return (scale, offset) if worst <= LINE_SHARE * span else None
