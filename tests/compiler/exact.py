"""What an expression is worth, with `Fraction` and nothing of the compiler but its parser: the exactness oracle."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction as F

from swapbridge.core.units import SPELLINGS, Unit
from swapbridge.language.expressions import Binary, Call, Name, Node, Number, Text, Truth, Unary

PLAIN = SPELLINGS[""]


@dataclass(frozen=True)
class Worth:
    """A value (bool for conditions, raw int for choices), its unit, and whether it may be used."""

    value: F
    unit: Unit = PLAIN
    valid: bool = True


def away(value: F) -> int:
    """Nearest integer, halves away from zero (by the definition, not by the code under test)."""
    whole = abs(value).__floor__()
    whole += abs(value) - whole >= F(1, 2)
    return whole if value >= 0 else -whole


class Oracle:
    """Evaluates trees for one target: its unit and step, and the values of the sources."""

    def __init__(self, unit: Unit, step: F, source: Callable[[tuple[str, ...]], Worth]) -> None:
        self.unit, self.step, self.source = unit, step, source

    def resolution(self, unit: Unit) -> F:
        if unit.kind == self.unit.kind:
            return self.step / 1024 * self.unit.factor / unit.factor
        return F(1, 65536)

    def same(self, a: Worth, unit: Unit) -> F:
        assert a.unit.kind == unit.kind
        return (a.value * a.unit.factor + a.unit.offset - unit.offset) / unit.factor

    def grid(self, value: F, unit: Unit) -> F:
        step = self.resolution(unit)
        return away(value / step) * step

    def worth(self, node: Node) -> Worth:
        if isinstance(node, Number):
            return Worth(node.value, SPELLINGS[node.unit])
        if isinstance(node, Truth):
            return Worth(F(node.value))
        if isinstance(node, Name):
            return self.source(node.parts)
        if isinstance(node, Unary):
            inner = self.worth(node.operand)
            if node.operator == "not":
                return Worth(F(not inner.value), PLAIN, inner.valid)
            return Worth(-inner.value, inner.unit, inner.valid)
        if isinstance(node, Binary):
            return self.binary(node)
        assert isinstance(node, Call)
        return self.call(node)

    def binary(self, node: Binary) -> Worth:
        a, b = self.worth(node.left), self.worth(node.right)
        valid = a.valid and b.valid
        op = node.operator
        if op in ("and", "or"):
            result = (a.value and b.value) if op == "and" else (a.value or b.value)
            return Worth(F(bool(result)), PLAIN, valid)
        if op in ("<", "<=", ">", ">=", "==", "!="):
            right = self.same(b, a.unit)
            left = a.value
            answers = {
                "<": left < right, "<=": left <= right, ">": left > right, ">=": left >= right,
                "==": left == right, "!=": left != right,
            }  # fmt: skip
            return Worth(F(answers[op]), PLAIN, valid)
        if op in ("+", "-"):
            right = self.same(b, a.unit)
            return Worth(a.value + right if op == "+" else a.value - right, a.unit, valid)
        if op == "*":
            if a.unit.kind not in ("a plain number", "ratio"):
                a, b = b, a
            factor = a.value * a.unit.factor
            product = factor * b.value
            exact = self.exact_product(node) or b.unit.kind != self.unit.kind
            return Worth(product if exact else self.grid(product, b.unit), b.unit, valid)
        return self.quotient(node, a, b, valid)

    def exact_product(self, node: Binary) -> bool:
        return constant(node.left) or constant(node.right)

    def quotient(self, node: Binary, a: Worth, b: Worth, valid: bool) -> Worth:
        if a.unit.kind == b.unit.kind:
            divisor, unit = self.same(b, a.unit), PLAIN
        else:
            divisor, unit = b.value * b.unit.factor, a.unit
        if constant(node.right):
            return Worth(a.value / divisor, unit, valid)
        if divisor == 0:
            assert node.otherwise is not None
            other = self.worth(node.otherwise)
            return Worth(self.same(other, unit), unit, valid and other.valid)
        return Worth(self.grid(a.value / divisor, unit), unit, valid)

    def call(self, node: Call) -> Worth:
        name = node.function
        if name == "valid":
            return Worth(F(self.worth(node.arguments[0]).valid))
        parts = [self.worth(a) for a in node.arguments]
        first = parts[0]
        valid = all(p.valid for p in parts)
        if name == "choose":
            pick = parts[1] if first.value else parts[2]
            return Worth(self.same(pick, parts[1].unit), parts[1].unit, first.valid and pick.valid)
        if name in ("min", "max"):
            values = [self.same(p, first.unit) for p in parts]
            return Worth(min(values) if name == "min" else max(values), first.unit, valid)
        if name in ("clamp", "within"):
            low, high = self.same(parts[1], first.unit), self.same(parts[2], first.unit)
            inside = name == "clamp" or low <= first.value <= high
            return Worth(min(max(first.value, low), high), first.unit, valid and inside)
        if name == "abs":
            return Worth(abs(first.value), first.unit, valid)
        if name == "first_valid":
            for part in parts:
                if part.valid:
                    return Worth(self.same(part, first.unit), first.unit, True)
            return Worth(F(0), first.unit, False)
        if name == "round_to":
            unit, step = parts[1].unit, parts[1].value
            rounded = Worth(away(self.same(first, unit) / step) * step, unit)
            return Worth(self.same(rounded, first.unit), first.unit, first.valid)
        assert name == "table"
        return self.table(node, first)

    def table(self, node: Call, x: Worth) -> Worth:
        points = [(self.same(self.worth(k), x.unit), self.worth(v)) for k, v in node.pairs]
        unit = points[0][1].unit
        step = self.resolution(unit)
        ys = [away(self.same(y, unit) / step) for _, y in points]
        xs = [p for p, _ in points]
        if x.value <= xs[0]:
            return Worth(ys[0] * step, unit, x.valid)
        if x.value >= xs[-1]:
            return Worth(ys[-1] * step, unit, x.valid)
        i = max(k for k, p in enumerate(xs) if p <= x.value)
        rise = (x.value - xs[i]) * (ys[i + 1] - ys[i]) / (xs[i + 1] - xs[i])
        return Worth((ys[i] + self.rounded_from_left(rise, xs, i)) * step, unit, x.valid)

    @staticmethod
    def rounded_from_left(rise: F, xs: list[F], i: int) -> int:
        return away(rise)


def constant(node: Node) -> bool:
    """Whether a tree of random expressions holds no source."""
    from swapbridge.language.expressions import names_in

    return not names_in(node)


def raw_worth(raw: int, scale: F, offset: F, unit: str, reserved: Mapping[int, str] | tuple[int, ...] = ()) -> Worth:
    """A source signal's value."""
    return Worth(raw * scale + offset, SPELLINGS[unit], raw not in reserved)


__all__ = ["Oracle", "Text", "Worth", "away", "raw_worth"]
