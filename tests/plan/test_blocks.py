"""What is worked out when a plan is loaded is what the operations say, whatever values their slot may have."""

from __future__ import annotations

from dataclasses import replace

import pytest

from swapbridge.plan.plan import Op, Plan, Slot, div_round
from swapbridge.plan.python.blocks import MOST_IN_ALL, MOST_VALUES, PythonBlockWriter, ResultTables
from tests.emit.random_plans import random_plan

WIDE = -(1 << 40), 1 << 40
SCALED = (
    Op("load", *WIDE, value=1),
    Op("const", 3, 3, value=3),
    Op("mul", *WIDE, a=0, b=1),
    Op("const", -7, -7, value=-7),
    Op("sub", *WIDE, a=3, b=2),
    Op("const", 4, 4, value=4),
    Op("div", *WIDE, a=4, b=5),
)


def plan_with(low: int, high: int) -> Plan:
    plan = random_plan(0)
    return replace(plan, slots=(plan.slots[0], Slot("raw", low, low, high)))


@pytest.mark.parametrize(("low", "high"), [(0, 255), (-128, 127), (-9, -3), (5, 40), (0, 0)])
def test_results_worked_out_beforehand(low: int, high: int) -> None:
    """The docstring of `swapbridge.plan.plan` by hand: (-7 - 3 s) / 4, halves away from zero."""
    tables = ResultTables(plan_with(low, high), {"div_round": div_round})
    text = tables.look_up(SCALED, 6, 1)
    for value in range(low, high + 1):
        assert eval(text, dict(tables.tuples), {"s1": value}) == div_round(-7 - 3 * value, 4)


def test_a_slot_of_many_values_is_worked_out_each_time() -> None:
    for high, expected in ((MOST_VALUES - 1, "T0[s1]"), (MOST_VALUES, "v4 = (s1 * -3 - 7)")):
        plan = plan_with(0, high)
        writer = PythonBlockWriter(plan, SCALED, {6}, "", ResultTables(plan, {"div_round": div_round}))
        assert expected in "\n".join([*writer.write(), writer.register(6)])


def test_a_slot_that_the_block_stores_is_no_single_value() -> None:
    """Loads before and after the store differ, so nothing of both hangs on one value."""
    block = (*SCALED[:3], Op("store", *WIDE, a=1, value=1), Op("load", *WIDE, value=1), Op("add", *WIDE, a=2, b=4))
    plan = plan_with(0, 255)
    tables = ResultTables(plan, {})
    lines = PythonBlockWriter(plan, block, {5}, "    ", tables).write()
    assert not tables.tuples
    namespace: dict[str, int] = {"s1": 20}
    exec("if 1:\n" + "\n".join(lines), namespace)
    assert namespace["v5"] == 20 * 3 + 3


def test_a_plan_has_only_so_much_room_for_results() -> None:
    plan = plan_with(0, MOST_VALUES - 1)
    tables = ResultTables(plan, {"div_round": div_round})
    for shift in range(MOST_IN_ALL // MOST_VALUES):
        assert tables.may_hold(1)
        moved = (*SCALED[:3], Op("const", shift, shift, value=shift), *SCALED[4:])
        tables.look_up(moved, 6, 1)
    assert not tables.may_hold(1)
