"""Proving room: the language's functions that remember, in exact fractions, stepped at the bridge's fixed period."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from fractions import Fraction
from math import ceil, floor, gcd

from swapbridge.core.units import SPELLINGS, Unit
from swapbridge.language.expressions import Call, Node
from swapbridge.proving.reference.exact import Evaluator, ExactMemory
from swapbridge.proving.reference.exact_values import ONE, PLAIN, TRUTH, ZERO, Exact, Purpose, nearest

_TOTALS = {"volume flow": ("L", Fraction(1, 3600)), "speed": ("km", Fraction(1, 3600)), "mass flow": ("g", ONE)}
"""What a rate adds up to: unit, and how much one base unit of the rate adds in a second."""


class _Base:
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        self.call, self.wanted = call, wanted

    def look(self, evaluator: Evaluator) -> None:
        evaluator.value(self.call.arguments[0], self.wanted)

    def input(self, evaluator: Evaluator) -> Exact:
        return evaluator.value(self.call.arguments[0], self.wanted)

    def ticks(self, evaluator: Evaluator, node: Node) -> int:
        seconds = evaluator.constant(node, SPELLINGS["s"])
        return max(1, ceil(seconds / evaluator.step_s))


class _Follower(_Base):
    """Follows a number; starts at it."""

    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        self.at, self.begun = 0, False
        unit = self.input(evaluator).unit
        self.unit, self.grid = unit, self.fine_grid(evaluator, unit)
        self.at = 0

    def fine_grid(self, evaluator: Evaluator, unit: Unit) -> Fraction:
        raise NotImplementedError

    def moved(self, difference: int) -> int:
        raise NotImplementedError

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        if value.valid:
            target = nearest(value.number / self.grid)
            self.at = self.at + self.moved(target - self.at) if self.begun else target
        self.begun = value.valid

    def output(self, evaluator: Evaluator) -> Exact:
        return Exact(self.at * self.grid, self.unit, self.begun)


class _Lowpass(_Follower):
    def fine_grid(self, evaluator: Evaluator, unit: Unit) -> Fraction:
        tau = evaluator.constant(self.call.arguments[1], SPELLINGS["s"])
        self.share = evaluator.step_s / (tau + evaluator.step_s)
        extra = 1
        while extra < ceil(1 / self.share):
            extra *= 2
        return evaluator.grid(self.call, self.wanted, unit) / extra

    def moved(self, difference: int) -> int:
        return nearest(difference * self.share)


class _RateLimit(_Follower):
    def fine_grid(self, evaluator: Evaluator, unit: Unit) -> Fraction:
        rates = [evaluator.value(n, PLAIN) for n in self.call.arguments[1:]]
        # a rate is a difference: the unit's factor counts, its offset does not
        up, down = (r.number * r.unit.factor / unit.factor * evaluator.step_s for r in (rates[0], rates[-1]))
        common = Fraction(
            gcd(up.numerator * down.denominator, down.numerator * up.denominator), up.denominator * down.denominator
        )
        grid = common / ceil(common / evaluator.grid(self.call, self.wanted, unit))
        self.up, self.down = int(up / grid), int(down / grid)
        return grid

    def moved(self, difference: int) -> int:
        return max(min(difference, self.up), -self.down)


class _Hysteresis(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        self.now, self.known = False, False

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        on_at, off_at = (evaluator.value(n, PLAIN).into(value.unit) for n in self.call.arguments[1:])
        rising = on_at > off_at
        if value.valid:
            if value.number >= on_at if rising else value.number <= on_at:
                self.now = True
            elif value.number <= off_at if rising else value.number >= off_at:
                self.now = False
        self.known = value.valid

    def output(self, evaluator: Evaluator) -> Exact:
        return Exact(Fraction(int(self.now)), TRUTH, self.known)


class _Debounce(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        self.now, self.known, self.count = False, False, 0

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        needed = self.ticks(evaluator, self.call.arguments[-1 if self.now else 1])
        if value.valid and bool(value.number) != self.now:
            self.count += 1
            if self.count >= needed:
                self.now, self.count = not self.now, 0
        else:
            self.count = 0
        self.known = value.valid

    def output(self, evaluator: Evaluator) -> Exact:
        return Exact(Fraction(int(self.now)), TRUTH, self.known)


class _Hold(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        self.left = 0

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        if value.valid and value.number:
            self.left = self.ticks(evaluator, self.call.arguments[1])
        else:
            self.left = max(0, self.left - 1)

    def output(self, evaluator: Evaluator) -> Exact:
        return Exact(Fraction(int(self.left > 0)), TRUTH)


class _TimeSince(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        most = dict(call.options).get("most")
        self.most = ceil(3600 / evaluator.step_s) if most is None else self.ticks(evaluator, most)
        self.count = self.most

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        self.count = 0 if value.valid and value.number else min(self.count + 1, self.most)

    def output(self, evaluator: Evaluator) -> Exact:
        return Exact(self.count * evaluator.step_s, SPELLINGS["s"])


class _Edge(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        self.before, self.begun, self.now = False, False, False

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        holds = bool(value.number)
        changed = (not holds and self.before) if self.call.function == "falling" else (holds and not self.before)
        happens = changed and value.valid and self.begun
        self.now = self.now != happens if self.call.function == "toggle" else happens
        if value.valid:
            self.before = holds
            self.begun = True

    def output(self, evaluator: Evaluator) -> Exact:
        return Exact(Fraction(int(self.now)), TRUTH)


class _Delay(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        now = self.input(evaluator)
        ticks = self.ticks(evaluator, call.arguments[1])
        self.now = now._replace(valid=False, fixed=False)
        self.past = deque([self.now] * ticks, ticks)

    def step(self, evaluator: Evaluator) -> None:
        self.now = self.past[0]
        self.past.append(self.input(evaluator)._replace(fixed=False))

    def output(self, evaluator: Evaluator) -> Exact:
        return self.now


class _Accumulate(_Base):
    def __init__(self, evaluator: Evaluator, call: Call, wanted: Purpose) -> None:
        super().__init__(evaluator, call, wanted)
        unit = self.input(evaluator).unit
        name, self.per_second = _TOTALS.get(unit.kind, ("", ONE))
        self.unit = SPELLINGS[name]
        options = dict(call.options)
        self.wraps = "wrap" in options
        self.top = evaluator.constant(options["wrap" if self.wraps else "most"], self.unit)
        self.total = ZERO

    def step(self, evaluator: Evaluator) -> None:
        value = self.input(evaluator)
        if not value.valid:
            return
        self.total += value.number * value.unit.factor * self.per_second * evaluator.step_s / self.unit.factor
        self.total = self.total % self.top if self.wraps else max(ZERO, min(self.total, self.top))

    def output(self, evaluator: Evaluator) -> Exact:
        step: Fraction | None = None
        if "resolution" in dict(self.call.options):
            step = evaluator.grid(self.call, self.wanted, self.unit)
        elif self.wanted.unit is not None and self.wanted.unit.kind == self.unit.kind and self.wanted.step is not None:
            step = self.wanted.step * self.wanted.unit.factor / self.unit.factor
        total = self.total if step is None else floor(self.total / step) * step
        return Exact(total, self.unit)


MEMORIES: dict[str, tuple[Callable[[Evaluator, Call, Purpose], ExactMemory], bool]] = {
    "lowpass": (_Lowpass, False),
    "rate_limit": (_RateLimit, False),
    "hysteresis": (_Hysteresis, True),
    "debounce": (_Debounce, True),
    "hold": (_Hold, True),
    "time_since": (_TimeSince, True),
    "rising": (_Edge, True),
    "falling": (_Edge, True),
    "toggle": (_Edge, True),
    "delay": (_Delay, False),
    "accumulate": (_Accumulate, False),
}
"""Every remembering function, and whether its memory is of a condition, whatever the result is wanted for."""
