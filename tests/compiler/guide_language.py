"""The bridge language, written from the guide's pages alone: `expressions` and `language-rules`.

Apart from the compiler and from the reference of `prove`: it has a parser, units and words of its own. Slow and plain,
in fractions. Where it disagrees with the compiler, the compiler or the guide is wrong.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction as F
from typing import Any, Protocol

# kind, how many of the kind's first unit one of it is, and where its zero lies there. Exact by definition: the mile of
# 1609.344 m, the pound of 0.45359237 kg under 9.80665 m/s2, the inch of 25.4 mm (NIST SP 811, appendix B).
POUND = F("0.45359237") * F("9.80665")
UNITS: dict[str, tuple[str, F, F]] = {
    "": ("plain", F(1), F(0)),
    "rpm": ("turning", F(1), F(0)),
    "degC": ("temperature", F(1), F(0)),
    "degF": ("temperature", F(5, 9), F(-32) * F(5, 9)),
    "km/h": ("speed", F(1), F(0)),
    "mph": ("speed", F("1.609344"), F(0)),
    "kPa": ("pressure", F(1), F(0)),
    "bar": ("pressure", F(100), F(0)),
    "psi": ("pressure", POUND / F("0.0254") ** 2 / 1000, F(0)),
    "Nm": ("torque", F(1), F(0)),
    "lbf ft": ("torque", POUND * 12 * F("0.0254"), F(0)),
    "%": ("ratio", F(1, 100), F(0)),
    "s": ("time", F(1), F(0)),
    "ms": ("time", F(1, 1000), F(0)),
    "L": ("volume", F(1), F(0)),
    "L/h": ("flow", F(1, 3600), F(0)),
    "V": ("voltage", F(1), F(0)),
    "A": ("current", F(1), F(0)),
}
NO_MEASUREMENT = {"sna", "na", "invalid", "notavailable", "error", "fault", "reserved", "init", "unknown", "unused"}
STATES = ("asleep", "wake", "key_on", "crank", "run", "after_run")

Tree = tuple[Any, ...]

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?)|'(?P<text>[^']*)'|(?P<name>[A-Za-z_]\w*)|(?P<mark><=|>=|==|!=|[-+*/(),:<>=.\[\]]))"
)
_UNIT = re.compile(r"\s*(lbf ft|km/h|L/h|degC|degF|mph|rpm|kPa|psi|bar|Nm|ms|%|s|L|V|A)(?![\w/])")


class Parser:
    """The grammar of the guide, one method a rule."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0

    def token(self, *, take: bool = True) -> tuple[str, str]:
        found = _TOKEN.match(self.text, self.at)
        if found is None:
            assert not self.text[self.at :].strip(), self.text[self.at :]
            return "end", ""
        if take:
            self.at = found.end()
        assert found.lastgroup is not None
        return found.lastgroup, found[found.lastgroup]

    def has(self, *words: str) -> str:
        kind, word = self.token(take=False)
        if kind in ("name", "mark") and word in words:
            self.token()
            return word
        return ""

    def whole(self) -> Tree:
        tree = self.expression()
        assert self.token()[0] == "end", self.text
        return tree

    def expression(self) -> Tree:
        tree = self.conjunction()
        while self.has("or"):
            tree = ("or", tree, self.conjunction())
        return tree

    def conjunction(self) -> Tree:
        tree = self.negation()
        while self.has("and"):
            tree = ("and", tree, self.negation())
        return tree

    def negation(self) -> Tree:
        return ("not", self.negation()) if self.has("not") else self.comparison()

    def comparison(self) -> Tree:
        tree = self.sum()
        sign = self.has("<", "<=", ">", ">=", "==", "!=")
        return ("compare", sign, tree, self.sum()) if sign else tree

    def sum(self) -> Tree:
        tree = self.product()
        while sign := self.has("+", "-"):
            tree = (sign, tree, self.product())
        return tree

    def product(self) -> Tree:
        tree = self.sign()
        while sign := self.has("*", "/"):
            right = self.sign()
            otherwise = self.sign() if sign == "/" and self.has("else") else None
            tree = (sign, tree, right, otherwise)
        return tree

    def sign(self) -> Tree:
        return ("minus", self.sign()) if self.has("-") else self.primary()

    def primary(self) -> Tree:
        kind, word = self.token()
        if kind == "number":
            unit = _UNIT.match(self.text, self.at)
            if unit is not None:
                self.at = unit.end()
            return ("number", F(word), unit[1] if unit is not None else "")
        if kind == "text":
            return ("text", word)
        if word == "(":
            tree = self.expression()
            assert self.has(")")
            return tree
        assert kind == "name", (kind, word, self.text)
        if word in ("true", "false"):
            return ("truth", word == "true")
        if self.has("("):
            return self.function(word)
        parts = [word]
        while self.has("."):
            parts.append(self.token()[1])
        return ("name", tuple(parts))

    def function(self, name: str) -> Tree:
        arguments, pairs, options, otherwise = [], [], [], None
        while not self.has(")"):
            before = self.at
            kind, word = self.token()
            if kind == "name" and word == "else":
                otherwise = self.expression()
            elif kind == "name" and self.has("="):
                options.append((word, self.expression()))
            else:
                self.at = before
                one = self.expression()
                if self.has(":"):
                    pairs.append((one, self.expression()))
                else:
                    arguments.append(one)
            self.has(",")
        return ("call", name, tuple(arguments), tuple(pairs), tuple(options), otherwise)


@dataclass(frozen=True)
class Val:
    """A number in a unit, a truth (0 or 1), or a choice (its raw value); and whether it may be used.

    `fixed`: made from constants alone.
    """

    number: F
    unit: str = ""
    valid: bool = True
    kind: str = "number"
    choices: tuple[tuple[int, str], ...] = ()
    fixed: bool = False

    def into(self, unit: str) -> F:
        if self.kind != "number" or unit == self.unit:
            return self.number
        (kind, size, zero), (to_kind, to_size, to_zero) = UNITS[self.unit], UNITS[unit]
        assert kind == to_kind, (self.unit, unit)
        return (self.number * size + zero - to_zero) / to_size


@dataclass(frozen=True)
class For:
    """What a value is for: the unit, resolution and step of the signal that is sent, or its choices."""

    unit: str | None = None
    resolution: F = F(0)
    step: F = F(0)
    choices: tuple[tuple[int, str], ...] = ()

    def resolution_in(self, unit: str) -> F:
        if self.unit is not None and UNITS[self.unit][0] == UNITS[unit][0]:
            return self.resolution * UNITS[self.unit][1] / UNITS[unit][1]
        return F(1, 65536)


NOTHING = For()


class World(Protocol):
    """What expressions see."""

    step_s: F
    tables: dict[str, Any]
    values: dict[str, Tree]

    def signal(self, parts: tuple[str, ...]) -> tuple[Any, int, bool, str]:
        """A source signal of the map, its raw value, whether its source is fresh, and its reference."""

    def fresh(self, parts: tuple[str, ...]) -> bool:
        """Whether a message is fresh."""

    def age_us(self, parts: tuple[str, ...]) -> int | None:
        """Time since its last good frame; None while it is stale."""

    @property
    def state(self) -> int:
        """The state's number."""

    def memory(self, tree: Tree, purpose: For) -> Val:
        """What a remembering function says since its last step."""


def to_nearest(value: F) -> int:
    """Nearest whole number, halves away from zero."""
    whole, rest = divmod(abs(value), 1)
    return int(whole + (rest >= F(1, 2))) * (1 if value >= 0 else -1)


def plain(name: str) -> str:
    return re.sub(r"[\s_.-]", "", name).lower()


def reserved(signal: Any) -> set[int]:
    """Raw values that are no measurement."""
    named = {raw for raw, name in signal.choices.items() if plain(name) in NO_MEASUREMENT}
    return named | set(signal.not_available) | set(signal.error_codes)


def is_choice(signal: Any) -> bool:
    others = [raw for raw, name in signal.choices.items() if plain(name) not in NO_MEASUREMENT]
    return len(others) >= 2 and not signal.unit and signal.scale == 1 and signal.offset == 0


REMEMBERS = (
    "lowpass", "rate_limit", "hysteresis", "debounce", "hold", "time_since", "rising", "falling", "toggle", "delay",
    "accumulate",
)  # fmt: skip
OF_CONDITIONS = ("hysteresis", "debounce", "hold", "time_since", "rising", "falling", "toggle")


def memories_in(tree: Any, purpose: For, values: dict[str, Tree]) -> list[tuple[Tree, For]]:
    """Every remembering call of a tree with what it is for, those inside another before it."""
    if not isinstance(tree, tuple) or not tree:
        return []
    head = tree[0]
    if head == "name" and len(tree[1]) == 1 and tree[1][0] in values:
        return memories_in(values[tree[1][0]], purpose, values)
    if head in ("compare", "and", "or", "not"):
        return [one for part in tree[1:] for one in memories_in(part, NOTHING, values)]
    if head == "call":
        name, arguments, pairs = tree[1], tree[2], tree[3]
        own = NOTHING if name in OF_CONDITIONS else purpose
        inner: list[tuple[Tree, For]] = []
        for number, argument in enumerate(arguments):
            asked = name in ("lookup", "number", "valid", "as_percent") or (name == "choose" and number == 0)
            inner += memories_in(argument, NOTHING if asked else own, values)
        for _, answer in pairs:
            inner += memories_in(answer, purpose, values)
        return [*inner, (tree, own)] if name in REMEMBERS else inner
    return [one for part in tree[1:] for one in memories_in(part, purpose, values)]


def value_of(tree: Tree, purpose: For, world: World) -> Val:
    """The value of an expression now."""
    head = tree[0]
    if head == "number":
        return Val(tree[1], tree[2], fixed=True)
    if head == "truth":
        return Val(F(tree[1]), kind="truth", fixed=True)
    if head == "text":
        raws = [raw for raw, name in purpose.choices if plain(name) == plain(tree[1])]
        return Val(F(raws[0]), kind="choice", choices=purpose.choices, fixed=True)
    if head == "name":
        return _name(tree[1], purpose, world)
    if head == "minus":
        inner = value_of(tree[1], purpose, world)
        return replace(inner, number=-inner.number)
    if head == "not":
        inner = value_of(tree[1], NOTHING, world)
        return Val(1 - inner.number, "", inner.valid, "truth")
    if head in ("and", "or"):
        a, b = value_of(tree[1], NOTHING, world), value_of(tree[2], NOTHING, world)
        holds = (a.number and b.number) if head == "and" else (a.number or b.number)
        return Val(F(bool(holds)), "", a.valid and b.valid, "truth")
    if head == "compare":
        return _compare(tree, world)
    if head in ("+", "-"):
        a, b = value_of(tree[1], purpose, world), value_of(tree[2], purpose, world)
        second = b.into(a.unit) if head == "+" else -b.into(a.unit)
        return Val(a.number + second, a.unit, a.valid and b.valid, fixed=a.fixed and b.fixed)
    if head == "*":
        return product(value_of(tree[1], purpose, world), value_of(tree[2], purpose, world), purpose)
    if head == "/":
        return _quotient(tree, purpose, world)
    return _call(tree, purpose, world)


def product(a: Val, b: Val, purpose: For) -> Val:
    if UNITS[a.unit][0] not in ("plain", "ratio"):
        a, b = b, a
    number = a.number * UNITS[a.unit][1] * b.number
    of_its_kind = purpose.unit is not None and UNITS[purpose.unit][0] == UNITS[b.unit][0]
    if not a.fixed and not b.fixed and of_its_kind:
        grid = purpose.resolution_in(b.unit)
        number = to_nearest(number / grid) * grid
    return Val(number, b.unit, a.valid and b.valid, fixed=a.fixed and b.fixed)


def _quotient(tree: Tree, purpose: For, world: World) -> Val:
    a, b = value_of(tree[1], purpose, world), value_of(tree[2], purpose, world)
    same = UNITS[a.unit][0] == UNITS[b.unit][0]
    divisor, unit = (b.into(a.unit), "") if same else (b.number * UNITS[b.unit][1], a.unit)
    valid = a.valid and b.valid
    if b.fixed:
        return Val(a.number / divisor, unit, valid, fixed=a.fixed)
    if divisor == 0:
        other = value_of(tree[3], purpose, world)
        return Val(other.into(unit), unit, valid and other.valid)
    grid = purpose.resolution_in(unit)
    return Val(to_nearest(a.number / divisor / grid) * grid, unit, valid)


def _name(parts: tuple[str, ...], purpose: For, world: World) -> Val:
    if parts == ("invalid",):
        if purpose.choices and purpose.unit is None:
            return Val(F(0), "", False, "choice", purpose.choices, True)
        return Val(F(0), purpose.unit or "", False, fixed=True)
    if parts == ("state",):
        return Val(F(world.state), kind="choice", choices=tuple(enumerate(STATES)))
    if len(parts) == 1:
        return value_of(world.values[parts[0]], purpose, world)
    signal, raw, fresh, reference = world.signal(parts)
    valid = fresh and raw not in reserved(signal)
    if is_choice(signal):
        return Val(F(raw), "", valid, "choice", tuple(signal.choices.items()))
    value = Val(raw * signal.scale + signal.offset, signal.unit, valid, choices=tuple(signal.choices.items()))
    if reference and UNITS[signal.unit][0] == "ratio":
        whole = value_of(Parser(reference).whole(), NOTHING, world)
        return product(value, whole, purpose)
    return value


def _compare(tree: Tree, world: World) -> Val:
    sign, left, right = tree[1], tree[2], tree[3]
    if right[0] == "text":
        a = value_of(left, NOTHING, world)
        if a.kind != "choice":  # a measured signal and the name of a code
            _, raw, fresh, _ = world.signal(left[1])
            a = Val(F(raw), "", fresh, "choice", a.choices)
        b = value_of(right, For(choices=a.choices), world)
    else:
        a, b = value_of(left, NOTHING, world), value_of(right, NOTHING, world)
    x, y = a.number, b.into(a.unit)
    answers = {"<": x < y, "<=": x <= y, ">": x > y, ">=": x >= y, "==": x == y, "!=": x != y}
    return Val(F(answers[sign]), "", a.valid and b.valid, "truth")


def _call(tree: Tree, purpose: For, world: World) -> Val:
    _, name, arguments, pairs, options, _ = tree
    if name in REMEMBERS:
        return world.memory(tree, NOTHING if name in OF_CONDITIONS else purpose)
    if name == "age":
        age = world.age_us(arguments[0][1])
        return Val(F(35 * 60 * 1000 if age is None else F(age, 1000)), "ms")
    if name == "valid":
        if arguments[0][0] == "name" and len(arguments[0][1]) == 2:
            return Val(F(world.fresh(arguments[0][1])), kind="truth")
        return Val(F(value_of(arguments[0], NOTHING, world).valid), kind="truth")
    if name == "choose":
        condition = value_of(arguments[0], NOTHING, world)
        a, b = value_of(arguments[1], purpose, world), value_of(arguments[2], purpose, world)
        taken = a if condition.number else b
        return replace(a, number=taken.into(a.unit), valid=condition.valid and taken.valid, fixed=False)
    if name == "lookup":
        return _lookup(tree, purpose, world)
    if name == "number":
        inner = value_of(arguments[0], NOTHING, world)
        return Val(inner.number, "", inner.valid)
    parts = [value_of(one, purpose, world) for one in arguments if one[0] != "name" or one[1][0] not in world.tables]
    first = parts[0]
    all_valid, fixed = all(p.valid for p in parts), all(p.fixed for p in parts)
    if name in ("min", "max"):
        pick = min if name == "min" else max
        return Val(pick(p.into(first.unit) for p in parts), first.unit, all_valid, fixed=fixed)
    if name in ("clamp", "within"):
        low, high = parts[1].into(first.unit), parts[2].into(first.unit)
        inside = name == "clamp" or low <= first.number <= high
        return Val(min(max(first.number, low), high), first.unit, all_valid and inside)
    if name == "abs":
        return replace(first, number=abs(first.number))
    if name == "round_to":
        step = parts[1]
        rounded = Val(to_nearest(first.into(step.unit) / step.number) * step.number, step.unit)
        return replace(first, number=rounded.into(first.unit))
    if name == "first_valid":
        taken = next((p for p in parts if p.valid), parts[-1])
        return replace(first, number=taken.into(first.unit), valid=taken.valid, fixed=False)
    assert name == "table", name
    return _table(first, arguments, pairs, options, purpose, world)


def _lookup(tree: Tree, purpose: For, world: World) -> Val:
    _, _, arguments, pairs, _, otherwise = tree
    asked = value_of(arguments[0], NOTHING, world)
    answers = [value_of(answer, purpose, world) for _, answer in pairs]
    first = answers[0]
    found = None if otherwise is None else value_of(otherwise, purpose, world)
    for (key_tree, _), answer in zip(pairs, answers, strict=True):
        key = value_of(key_tree, For(choices=asked.choices) if key_tree[0] == "text" else NOTHING, world)
        if key.into(asked.unit) == asked.number:
            found = answer
    if found is None:
        return replace(first, valid=False, fixed=False)
    return replace(first, number=found.into(first.unit), valid=asked.valid and found.valid, fixed=False)


def _table(x: Val, arguments: Any, pairs: Any, options: Any, purpose: For, world: World) -> Val:
    if pairs:
        ends = [(value_of(a, NOTHING, world), value_of(b, NOTHING, world)) for a, b in pairs]
        unit = ends[0][1].unit
        points = [(a.into(x.unit), b.into(unit)) for a, b in ends]
    else:
        told = world.tables[arguments[1][1][0]]
        unit = told["y"]
        points = [(Val(F(str(a)), told["x"]).into(x.unit), F(str(b))) for a, b in told["points"]]
    grid = purpose.resolution_in(unit)
    ys = [to_nearest(y / grid) for _, y in points]
    if x.number <= points[0][0]:
        return Val(ys[0] * grid, unit, x.valid)
    for i in range(len(points) - 1):
        if points[i][0] <= x.number < points[i + 1][0]:
            rise = (x.number - points[i][0]) * (ys[i + 1] - ys[i]) / (points[i + 1][0] - points[i][0])
            return Val((ys[i] + to_nearest(rise)) * grid, unit, x.valid)
    return Val(ys[-1] * grid, unit, x.valid)
