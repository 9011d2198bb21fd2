"""Drafting room: values of a drafted rule beside the recorded ones, on a stretch that was not used to learn the rule.

The rule's text is computed from what its sources would have carried while the absent computer was recorded: the same
stand-ins that it was learned from. What can't be worked out so (a running total, a state of the translator) is not
drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import numpy as np

from swapbridge.core.errors import InputError
from swapbridge.core.units import SPELLINGS
from swapbridge.drafting.drafted import Drawn, Explained
from swapbridge.drafting.explain.flags import with_hysteresis
from swapbridge.drafting.explain.kit import Kit
from swapbridge.drafting.explain.numbers import held_out
from swapbridge.drafting.linking import begins
from swapbridge.drafting.recorded_vehicle import Floats, VehicleMessage, VehicleSeries
from swapbridge.language.expressions import Binary, Call, Name, Node, Number, Truth, Unary, parse, write

MOST_POINTS = 700


class _Unknown(Exception):
    """Something in a rule that a recording alone does not show."""


@dataclass(frozen=True, slots=True)
class _Meanings:
    """What names stand for while a message was recorded: values with their units, and conditions by their text."""

    values: Mapping[str, tuple[VehicleSeries, str]]
    conditions: Mapping[str, VehicleSeries]
    moments: list[float]
    unit: str
    times: Floats


def drawn(kit: Kit, message: VehicleMessage, one: Explained) -> Drawn | None:
    """A field's rule beside what was recorded, raw values both; None where the rule can't be worked out so.

    Parameters
    ----------
    kit : Kit
        What the fields of this swap are explained with.
    message : VehicleMessage
        The recorded message.
    one : Explained
        The field and its explanation.

    Returns
    -------
    Drawn or None
        Raw values over time, recorded and generated; None if the rule can't be evaluated on the recording.
    """
    raw = message.raw(one.layout).astype(np.float64)
    rows = _stretch(message.time_s, raw)
    if len(rows) < 2:
        return None
    times = message.time_s[rows]
    made: Floats | None = None
    if one.how != "open":
        made = worked_out(kit, message, one, times)
        if made is None:
            return None
    keep = rows_kept(raw[rows], made)
    began = float(message.time_s[0])
    return Drawn(
        tuple((times[keep] - began).round(4).tolist()), tuple(raw[rows][keep].tolist()),
        None if made is None else tuple(made[keep].tolist()),
        held_out=one.fitted,
    )  # fmt: skip


def worked_out(kit: Kit, message: VehicleMessage, one: Explained, times: Floats) -> Floats | None:
    """Raw values that a rule makes at some times of the recording; None where that can't be worked out."""
    try:
        physical = _value(parse(one.value, frozenset(SPELLINGS)), _meanings(kit, message, one, times))
    except (_Unknown, InputError, ZeroDivisionError):
        return None
    low, high = one.layout.raw_range
    made: Floats = np.clip(np.round((physical - one.offset) / one.scale), low, high)
    return made


def rows_kept(recorded: Floats, made: Floats | None) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Rows of a picture: of every few frames the first, and those where either is lowest and highest."""
    n = len(recorded)
    if n <= MOST_POINTS:
        return np.arange(n)
    edges = np.linspace(0, n, MOST_POINTS // 5 + 1).astype(int)
    rows: set[int] = {n - 1}
    for a, b in pairwise(edges.tolist()):
        rows.add(a)
        for values in (recorded,) if made is None else (recorded, made):
            rows |= {a + int(np.argmin(values[a:b])), a + int(np.argmax(values[a:b]))}
    return np.array(sorted(rows))


def _stretch(times: Floats, raw: Floats) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """The held-out stretch in which a field changes most often."""
    held, block = held_out(times)
    if not held.any():
        return np.arange(len(times))
    changed = np.r_[0.0, np.diff(raw) != 0]
    best = max(np.unique(block[held]).tolist(), key=lambda b: float(changed[block == b].sum()))
    return np.flatnonzero(block == best)


def _meanings(kit: Kit, message: VehicleMessage, one: Explained, times: Floats) -> _Meanings:
    values: dict[str, tuple[VehicleSeries, str]] = {}
    for line in kit.local:
        values[line.text] = line.series, line.unit
    for linked in kit.linked:
        values[linked.line.text] = linked.line.series, ""
    for word in kit.swap.words.values():
        if word.origin is not None and word.match is not None:
            first = {w: v for v, w in sorted(word.match.word_of.items(), reverse=True)}
            raw = np.array([float(first.get(w, -1)) for w in word.words])
            index = np.clip(word.series.value.astype(int), 0, len(raw) - 1)
            values[word.origin.text] = VehicleSeries(word.series.time_s, raw[index]), ""
    for quantity in kit.swap.quantities.values():
        if quantity.origin is not None:
            values[quantity.origin.text] = quantity.series, quantity.unit
    conditions = {_written(a.text): a.series for a in kit.atoms if a.text is not None}
    return _Meanings(values, conditions, begins(message), one.unit, times)


@cache
def _written(text: str) -> str:
    """An expression as the language writes it, whatever brackets it came with."""
    return write(parse(text, frozenset(SPELLINGS)))


def _value(node: Node, meanings: _Meanings) -> Floats:
    """The value of a tree at the times asked for; conditions are 0 and 1."""
    if isinstance(node, Number):
        return np.full(len(meanings.times), _in_unit(np.array(float(node.value)), node.unit, meanings.unit))
    if isinstance(node, Truth):
        return np.full(len(meanings.times), float(node.value))
    if isinstance(node, Name):
        if node.dotted not in meanings.values:
            raise _Unknown(node.dotted)
        series, unit = meanings.values[node.dotted]
        return _in_unit(series.at(meanings.times), unit, meanings.unit)
    if isinstance(node, Unary):
        inner = _value(node.operand, meanings)
        return -inner if node.operator == "-" else (inner <= 0.5).astype(np.float64)
    if isinstance(node, Binary):
        return _binary(node, meanings)
    if isinstance(node, Call):
        return _call(node, meanings)
    raise _Unknown(type(node).__name__)


def _in_unit(value: Floats, unit: str, to: str) -> Floats:
    """A value in the field's unit where both are of one kind, else as it is (a formula divides its unit away)."""
    if unit == to or unit not in SPELLINGS or to not in SPELLINGS or SPELLINGS[unit].kind != SPELLINGS[to].kind:
        return value
    factor, offset = SPELLINGS[unit].conversion(SPELLINGS[to])
    return value * float(factor) + float(offset)


def _binary(node: Binary, meanings: _Meanings) -> Floats:
    if node.operator in ("==", "or"):  # a condition of the other vehicle has a stand-in, also where two warn alike
        known = meanings.conditions.get(write(node))
        if known is not None:
            return (known.at(meanings.times) > 0.5).astype(np.float64)
    if isinstance(node.left, Call) and node.left.function == "time_since":
        last = np.array([max((m for m in meanings.moments if m <= t), default=t) for t in meanings.times.tolist()])
        return np.asarray(meanings.times - last < _value(node.right, meanings), dtype=np.float64)
    left, right = _value(node.left, meanings), _value(node.right, meanings)
    plain = {"+": np.add, "-": np.subtract, "*": np.multiply}
    if node.operator in plain:
        out: Floats = plain[node.operator](left, right)
        return out
    if node.operator == "/":
        if not right.all():
            raise ZeroDivisionError
        return left / right
    compared = {
        "<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal, "==": np.equal,
        "!=": np.not_equal, "and": np.minimum, "or": np.maximum,
    }  # fmt: skip
    return np.asarray(compared[node.operator](left, right), dtype=np.float64)


def _call(node: Call, meanings: _Meanings) -> Floats:
    if node.function == "delay" and isinstance(node.arguments[1], Number):  # a draft writes milliseconds
        return _value(
            node.arguments[0], replace(meanings, times=meanings.times - float(node.arguments[1].value) / 1000)
        )
    if node.function not in ("clamp", "within", "max", "min", "choose", "hysteresis", "lookup"):
        raise _Unknown(node.function)
    parts = [_value(a, meanings) for a in node.arguments]
    if node.function == "lookup":
        out = _value(node.otherwise, meanings) if node.otherwise is not None else np.full(len(meanings.times), np.nan)
        for key, value in node.pairs:
            out = np.where(parts[0] == _value(key, meanings), _value(value, meanings), out)
        return out
    if node.function in ("clamp", "within"):
        return np.clip(parts[0], parts[1], parts[2])
    if node.function == "choose":
        return np.where(parts[0] > 0.5, parts[1], parts[2])
    if node.function == "hysteresis":
        return with_hysteresis(parts[0], float(parts[1][0]), float(parts[2][0])).astype(np.float64)
    joined: Floats = (np.maximum if node.function == "max" else np.minimum).reduce(parts)
    return joined
