"""Language room: expressions that must be constants: limits, ranges, times, references."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

from swapbridge.core.errors import InputError
from swapbridge.core.units import SPELLINGS, Unit, find_unit
from swapbridge.language.bridge_file import BridgeFile, Written
from swapbridge.language.expressions import ExpressionError, Name, Node, Number, parse


def known_units(bridge: BridgeFile) -> frozenset[str]:
    """Every spelling that may follow a number in this bridge file."""
    return frozenset({*SPELLINGS, *bridge.units} - {"", "-", "1"})


def parse_written(bridge: BridgeFile, written: Written) -> Node:
    """Parse an expression of the file; an error carries file, line and column."""
    try:
        return _parsed(written.text, known_units(bridge))
    except ExpressionError as error:
        place = written.place
        raise InputError(f"{bridge.path}:{place.line}:{place.column + error.column - 1}: {error}") from None


@lru_cache(maxsize=4096)
def _parsed(text: str, units: frozenset[str]) -> Node:
    """A tree is never changed, so the same text is parsed once."""
    return parse(text, units)


def constant(bridge: BridgeFile, written: Written) -> tuple[Fraction, Unit]:
    """Value and unit of a constant expression (a number with unit, or the name of one).

    Raises
    ------
    InputError
        It is not a constant, or its unit is unknown.
    """
    node = parse_written(bridge, written)
    for _ in range(10):
        if isinstance(node, Number):
            return node.value, find_unit(node.unit, bridge.units)
        if isinstance(node, Name) and node.dotted in bridge.constants:
            node = parse_written(bridge, bridge.constants[node.dotted])
            continue
        break
    raise bridge.refuse(
        written.place, f"{written.text!r} is not a constant", 'write a number with its unit, like "450 Nm"'
    )


def constant_in(bridge: BridgeFile, written: Written, unit_text: str) -> Fraction:
    """A constant in the unit of that spelling."""
    value, unit = constant(bridge, written)
    try:
        to = find_unit(unit_text, bridge.units)
        return unit.convert(value, to)
    except InputError as error:
        raise bridge.refuse(written.place, str(error), "write the constant in a unit of that kind") from None


def constant_or_percent(bridge: BridgeFile, written: Written, unit_text: str, reference: Written | None) -> Fraction:
    """A constant in that unit; a torque for a percentage whose reference is a constant is turned into percent."""
    _, unit = constant(bridge, written)
    to = find_unit(unit_text, bridge.units)
    if unit.kind != "torque" or to.kind != "ratio" or reference is None:
        return constant_in(bridge, written, unit_text)
    whole = constant_in(bridge, reference, "Nm")
    if whole == 0:
        raise bridge.refuse(written.place, "the reference torque is 0", "state what 100 % is, like 450 Nm")
    return constant_in(bridge, written, "Nm") / whole / to.factor
