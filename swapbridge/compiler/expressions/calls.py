"""Compiler room: what the functions of the language share: their arguments, constants and resolutions."""

from __future__ import annotations

from fractions import Fraction

from swapbridge.compiler.build import BlockBuilder
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.expressions.usage import USAGES
from swapbridge.compiler.expressions.values import Wanted, in_unit, known_constant, need_number
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.units import Unit
from swapbridge.language.expressions import Call, Node


def arguments(call: Call, low: int, high: int, *options: str) -> tuple[Node, ...]:
    """The plain arguments, once their number and the options are right.

    Raises
    ------
    LoweringError
        Too few or too many arguments, an option the function has not, pairs or an `else` it does not take.
    """
    usage = f"write {USAGES[call.function][0]}"
    if not low <= len(call.arguments) <= high:
        raise LoweringError(f"{call.function} has {len(call.arguments)} plain arguments", usage)
    for name, _ in call.options:
        if name not in options:
            raise LoweringError(f"{call.function} has no option {name!r}", usage)
    if call.pairs and call.function not in ("table", "lookup"):
        raise LoweringError(f"{call.function} takes no `key: value` pairs", usage)
    if call.otherwise is not None and call.function != "lookup":
        raise LoweringError(f"{call.function} takes no else", usage)
    return call.arguments


def constant_of(lowering: Lowering, node: Node, builder: BlockBuilder, unit: Unit | None) -> Fraction:
    """A constant argument, in that unit (or as it is where None).

    Raises
    ------
    LoweringError
        It is not a constant, or of another kind.
    """
    value = need_number(lowering.lower(node, builder, Wanted()))
    if unit is not None:
        value = in_unit(value, unit)
    return known_constant(builder, value)


def grid_of(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted, unit: Unit) -> Fraction:
    """Resolution of a call's result in a unit: its `resolution` option or the wanted one."""
    option = dict(call.options).get("resolution")
    if option is None:
        return wanted.resolution_in(unit)
    value = need_number(lowering.lower(option, builder, Wanted()))
    if value.unit.kind != unit.kind or known_constant(builder, value) <= 0:
        raise LoweringError(
            "the resolution is not a constant above 0 of the value's kind", f"write resolution=1 {unit.name}"
        )
    return value.linear.constant_value * value.unit.factor / unit.factor
