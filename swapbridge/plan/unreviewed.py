"""Plan room: what of a plan was learned from recordings and reviewed by nobody, and what that forbids: the one rule.

Simulated buses, `prove` and `NativeTranslator` take such a plan; nothing that reaches wires or a board does.
"""

from __future__ import annotations

from swapbridge.core.errors import RefusedError
from swapbridge.plan.plan import Plan


def why_unreviewed(plan: Plan) -> str:
    """Why a plan may neither be sent to a bus with wires nor written for a board; "" when it may.

    Every rule still to be reviewed is named, and the command that reviews the first of them.
    """
    names = plan.unreviewed
    if not names:
        return ""
    count = "a rule that was" if len(names) == 1 else f"{len(names)} rules that were"
    return (
        f"the plan holds {count} learned from recordings and not reviewed: {', '.join(names)}; look at "
        f"each with `swapbridge review {names[0]}`, then compile and prove again (no option bypasses this)"
    )


def refuse_unreviewed(plan: Plan, doing: str) -> None:
    """Refuse `doing` (a phrase such as "files for a board are not written") while anything is unreviewed.

    Raises
    ------
    RefusedError
        With the names of what has to be reviewed.
    """
    reason = why_unreviewed(plan)
    if reason:
        raise RefusedError(f"{doing}: {reason}")
