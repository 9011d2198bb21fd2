"""Simulated gauges and a person who watches them, apart from the trial: a damped needle, plateaus, hysteresis."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from swapbridge.asking.trials.gauge import LEFT_SHARE, GaugeStage, GaugeTrial

STEP_NS = 100_000_000


@dataclass
class Needle:
    """Shows `curve(raw)` through a first-order lag; friction holds it back by `friction` of the span in all."""

    curve: Callable[[float], float]
    constant_s: float
    friction: float = 0.0
    span: float = 1.0
    shows: float = 0.0
    driven: float = 0.0

    def step(self, raw: float, seconds: float) -> None:
        aim = self.curve(raw)
        self.driven += (aim - self.driven) * (1 - math.exp(-seconds / self.constant_s))
        slack = self.friction * self.span / 2
        self.shows = min(max(self.shows, self.driven - slack), self.driven + slack)


class Person:
    """Presses when the needle passes the next mark, wrong by a normal share of the span each time."""

    def __init__(self, trial: GaugeTrial, needle: Needle, noise: float, seed: int) -> None:
        self.trial, self.needle, self.draw = trial, needle, random.Random(seed)
        self.noise = noise * needle.span
        self.error = self.draw.gauss(0, self.noise)
        self.history: list[float] = []
        self.rested: float | None = None

    def watch(self, now_ns: int) -> None:
        trial, shows = self.trial, self.needle.shows
        self.history = [*self.history[-60:], shows]
        if trial.stage in (GaugeStage.LOW, GaugeStage.STEP, GaugeStage.BACK):
            if self._still(60, 0.002):
                self._press(trial.press, now_ns)
            return
        mark = trial.next_mark
        if mark is None:
            return
        span = self.needle.span
        if self.rested is not None:
            if abs(shows - self.rested) > LEFT_SHARE * span + self.error:
                self.rested = None
                self._press(trial.press, now_ns)
            return
        rising = (trial.stage is GaugeStage.UP) == (trial.marks[-1] > trial.marks[0])
        passed = shows >= mark + self.error if rising else shows <= mark + self.error
        if passed:
            self._press(trial.press, now_ns)
        elif self._still(60, 0.0015) and self._stands_at(mark, now_ns):
            moving = trial.stage
            walked = trial._elapsed(now_ns) / 1e9
            last = abs(shows - mark) >= 0.03 * span
            self._press(lambda now: trial.rest(now, last=last), now_ns)
            if trial.stage is moving and trial._constant_s <= walked < trial.walk_s:
                self.rested = shows

    def _stands_at(self, mark: float, now_ns: int) -> bool:
        """At the mark that is waited for, or at the one just passed, and not merely because the walk has not begun."""
        trial, shows, near = self.trial, self.needle.shows, 0.03 * self.needle.span
        if abs(shows - mark) < near:
            return True
        walked = trial._elapsed(now_ns) / 1e9
        passed = trial._passed[trial.stage]
        last = trial._order()[len(passed) - 1] if passed else None
        return last is not None and trial._constant_s <= walked < trial.walk_s and abs(shows - last) < near

    def _still(self, looks: int, share: float) -> bool:
        seen = self.history[-looks:]
        return len(seen) >= looks and max(seen) - min(seen) < share * self.needle.span

    def _press(self, key: Callable[[int], None], now_ns: int) -> None:
        key(now_ns)
        self.history.clear()
        self.error = self.draw.gauss(0, self.noise)


def run(trial: GaugeTrial, needle: Needle, noise: float = 0.005, seed: int = 0) -> float:
    """Until the trial is done; simulated seconds."""
    person, now = Person(trial, needle, noise, seed), 0
    needle.shows = needle.driven = needle.curve(min(trial.values)) + 0.3 * needle.span
    while trial.stage is not GaugeStage.DONE:
        needle.step(trial.raw(now), STEP_NS / 1e9)
        now += STEP_NS
        person.watch(now)
        assert now < 5 * 3600 * 1_000_000_000, (trial.stage, trial.next_mark, needle.shows)
    return now / 1e9
