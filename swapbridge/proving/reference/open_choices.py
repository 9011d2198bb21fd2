"""Proving room: the choices of a plan that the language leaves open: when filters step, nearby constants."""

from __future__ import annotations

from dataclasses import dataclass

from swapbridge.plan.plan import Plan


@dataclass(frozen=True, slots=True)
class Steps:
    """When the filters of a bridge step: groups that step one after the other within the fixed period.

    The language leaves open how the steps are spread over the period, so a plan says it: for each group its offset
    and the names of what steps in it.
    """

    offset_us: tuple[int, ...] = (0,)
    names: tuple[frozenset[str], ...] = (frozenset(),)

    def group(self, name: str) -> int:
        """Group of something that remembers, the first when nothing is said."""
        return next((n for n, names in enumerate(self.names) if name in names), 0)


def steps_of(plan: Plan) -> Steps:
    """How a plan spreads its steps."""
    names = [
        frozenset(plan.slots[op.value].name for op in task.block if op.kind == "store" and op.value < len(plan.slots))
        for task in plan.tasks
    ]
    return Steps(tuple(t.offset_us for t in plan.tasks), tuple(names)) if plan.tasks else Steps()


def loose_fields(plan: Plan) -> frozenset[str]:
    """Sent signals for which a plan says that a nearby constant is used."""
    return frozenset(
        f"{send.name}.{field.name}"
        for send in plan.sends
        for variant in send.variants
        for field in variant.fields
        if "31 bits" in field.note
    )
