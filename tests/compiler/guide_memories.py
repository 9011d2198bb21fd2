"""The functions that remember, written from the guide's page `language-rules`, section 'What remembers'."""

from __future__ import annotations

from fractions import Fraction as F
from math import ceil, floor, gcd

from tests.compiler.guide_language import NOTHING, UNITS, For, Tree, Val, World, to_nearest, value_of

TOTALS = {"flow": ("L", F(1)), "plain": ("", F(1))}
"""What a rate of a kind adds up to in a second: unit, and how much for one of the kind's first unit."""


class Memory:
    """One remembering call; `step` once a step, `said` between steps."""

    def __init__(self, tree: Tree, purpose: For, world: World) -> None:
        self.name, self.arguments, self.options = tree[1], tree[2], dict(tree[4])
        self.purpose, self.world = purpose, world
        self.said: Val = Val(F(0), valid=False)
        self.kept: F | None = None
        self.flag = False
        self.before: bool | None = None
        self.count = 0
        self.line: list[Val] = []
        self.total = F(0)
        if self.name == "time_since":
            self.count = self.longest()
        self.said = self.first_words()

    def argument(self) -> Val:
        return value_of(self.arguments[0], self.purpose, self.world)

    def seconds(self, number: int) -> F:
        return value_of(self.arguments[number], NOTHING, self.world).into("s")

    def steps(self, number: int) -> int:
        return max(1, ceil(self.seconds(number) / self.world.step_s))

    def longest(self) -> int:
        most = self.options.get("most")
        seconds = F(3600) if most is None else value_of(most, NOTHING, self.world).into("s")
        return max(1, ceil(seconds / self.world.step_s))

    def first_words(self) -> Val:
        now = self.argument()
        if self.name in ("hold", "rising", "falling", "toggle"):
            return Val(F(0), kind="truth")
        if self.name in ("hysteresis", "debounce"):
            return Val(F(0), valid=False, kind="truth")
        if self.name == "time_since":
            return Val(self.count * self.world.step_s, "s")
        if self.name == "accumulate":
            return Val(F(0), TOTALS[UNITS[now.unit][0]][0])
        return Val(now.number, now.unit, False, now.kind, now.choices)

    def step(self) -> None:
        x = self.argument()
        if self.name in ("lowpass", "rate_limit"):
            self.follow(x)
        elif self.name == "hysteresis":
            self.hysteresis(x)
        elif self.name == "accumulate":
            self.accumulate(x)
        elif self.name == "delay":
            steps = self.steps(1)
            self.said = (
                self.line[-steps] if len(self.line) >= steps else Val(x.number, x.unit, False, x.kind, x.choices)
            )
            self.line.append(Val(x.number, x.unit, x.valid, x.kind, x.choices))
        else:
            self.condition(x)

    def follow(self, x: Val) -> None:
        s, resolution = self.world.step_s, self.purpose.resolution_in(x.unit)
        if self.name == "lowpass":
            share = s / (self.seconds(1) + s)
            power = 1
            while power < 1 / share:
                power *= 2
            grid = resolution / power
        else:
            ends = [value_of(one, NOTHING, self.world) for one in self.arguments[1:]]
            size = UNITS[x.unit][1]
            up, down = (e.number * UNITS[e.unit][1] / size * s for e in (ends[0], ends[-1]))
            both = F(gcd(up.numerator * down.denominator, down.numerator * up.denominator))
            both /= up.denominator * down.denominator
            grid = both / ceil(both / resolution)
        target = to_nearest(x.number / grid) * grid
        if not x.valid:
            self.said = Val(self.said.number, x.unit, False)
            self.kept = None
            return
        if self.kept is None:
            self.kept = target
        elif self.name == "lowpass":
            self.kept += to_nearest(share * (target - self.kept) / grid) * grid
        else:
            self.kept += max(min(target - self.kept, up), -down)
        self.said = Val(self.kept, x.unit)

    def hysteresis(self, x: Val) -> None:
        on, off = (value_of(one, NOTHING, self.world).into(x.unit) for one in self.arguments[1:])
        if x.valid and (x.number >= on if on > off else x.number <= on):
            self.flag = True
        elif x.valid and (x.number <= off if on > off else x.number >= off):
            self.flag = False
        self.said = Val(F(self.flag), "", x.valid, "truth")

    def accumulate(self, x: Val) -> None:
        kind, size, _ = UNITS[x.unit]
        unit, per_second = TOTALS[kind]
        if x.valid:
            self.total += x.number * size * per_second * self.world.step_s
            if "wrap" in self.options:
                self.total %= value_of(self.options["wrap"], NOTHING, self.world).into(unit)
            else:
                top = value_of(self.options["most"], NOTHING, self.world).into(unit)
                self.total = max(F(0), min(self.total, top))
        shown = self.total
        if self.purpose.unit is not None and UNITS[self.purpose.unit][0] == UNITS[unit][0]:
            step = self.purpose.step * UNITS[self.purpose.unit][1] / UNITS[unit][1]
            shown = floor(self.total / step) * step
        self.said = Val(shown, unit)

    def condition(self, c: Val) -> None:
        holds = c.valid and bool(c.number)
        if self.name == "debounce":
            self.count = self.count + 1 if c.valid and bool(c.number) != self.flag else 0
            if self.count and self.count >= self.steps(len(self.arguments) - 1 if self.flag else 1):
                self.flag, self.count = not self.flag, 0
            self.said = Val(F(self.flag), "", c.valid, "truth")
        elif self.name == "hold":
            self.count = self.steps(1) if holds else max(0, self.count - 1)
            self.said = Val(F(self.count > 0), kind="truth")
        elif self.name == "time_since":
            self.count = 0 if holds else min(self.count + 1, self.longest())
            self.said = Val(self.count * self.world.step_s, "s")
        else:
            edge = c.valid and self.before is not None and bool(c.number) != self.before
            edge = edge and bool(c.number) != (self.name == "falling")
            self.flag = self.flag != edge if self.name == "toggle" else edge
            if c.valid:
                self.before = bool(c.number)
            self.said = Val(F(self.flag), kind="truth")
