"""Plan room: the translator: a plan turned into specialised Python once, then fed frames and times.

A pure state machine: it reads no clock and touches no bus. It does exactly what the plan's contract says (the docstring
of `swapbridge.plan.plan`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import partial
from types import CodeType
from typing import Any, NamedTuple

from swapbridge.plan.check import check_plan
from swapbridge.plan.j1939_node import has_node
from swapbridge.plan.plan import AddressClaim, Plan, div_round
from swapbridge.plan.python.codegen import make_lookup, make_table
from swapbridge.plan.python.j1939_node import Heart, J1939Node
from swapbridge.plan.python.joined import JoinedAnswerState
from swapbridge.plan.python.specialise import PlanWriter


class SentFrame(NamedTuple):
    """A frame to put on a bus: bus number of the plan, identifier word, payload."""

    bus: int
    word: int
    data: bytes


class Translator:
    """A running plan.

    Parameters
    ----------
    plan : Plan
        Checked again before any code is made from it.

    Raises
    ------
    InputError
        The plan is not valid.

    Attributes
    ----------
    plan : Plan
        What it runs.
    on_frame : callable
        ``on_frame(bus, word, data, now)``: a frame was received.
    poll : callable
        ``poll(now) -> SentFrame | None``: at most one frame to send. None says that this call had none; while
        ``next_poll(now)`` gives `now` there is more to do at once.
    next_poll : callable
        ``next_poll(now) -> int``: when `poll` could next have something to do.

    Notes
    -----
    `now` is an unsigned 32-bit count of microseconds that wraps. Poll at least every 2**31 microseconds.
    """

    __slots__ = ("_node", "_reports", "next_poll", "on_frame", "plan", "poll")

    on_frame: Callable[[int, int, bytes, int], None]
    poll: Callable[[int], SentFrame | None]
    next_poll: Callable[[int], int]

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.on_frame, self.poll, self.next_poll, self._reports, *more = _build(plan)
        self._node: J1939Node[SentFrame] | None = None
        if has_node(plan):
            heart = Heart(self.on_frame, self.poll, self.next_poll, *more)
            node = self._node = J1939Node(plan, heart, SentFrame)
            self.on_frame, self.poll, self.next_poll = node.on_frame, node.poll, node.next_poll

    @property
    def state(self) -> int:
        """Number of the present state (`swapbridge.plan.plan.STATES`)."""
        return int(self._reports()["state"])

    def feed_fresh(self, number: int) -> bool:
        """Whether a feed is fresh, as of the last poll that looked."""
        return bool(self._reports()["fresh"][number])

    @property
    def bad_frames(self) -> int:
        """Frames received that were too short or whose checksum or counter was wrong."""
        return int(self._reports()["bad"])

    @property
    def dropped_frames(self) -> int:
        """Passed frames dropped because the pass queue was full."""
        return int(self._reports()["dropped"])

    @property
    def lost_addresses(self) -> tuple[AddressClaim, ...]:
        """J1939 addresses that another node claimed."""
        return self._node.lost if self._node is not None else ()

    def slot(self, number: int) -> int:
        """Value of a slot, for tests and reports."""
        return int(self._reports()["slots"][number])


def translator_source(plan: Plan) -> str:
    """The Python source that `Translator` runs for a plan (for reading; the plan must be checked)."""
    return PlanWriter(plan, _functions(plan)).source()


_written: list[tuple[Plan, CodeType, dict[str, Any]]] = []
"""The plan that was written last: a proof starts the same one a hundred times."""


def _code_of(plan: Plan) -> tuple[CodeType, dict[str, Any]]:
    """A plan's compiled source and what it reads; a plan is checked before, and never changes after."""
    for known, code, names in _written:
        if known is plan:
            return code, names
    check_plan(plan)
    functions = _functions(plan)
    writer = PlanWriter(plan, functions)
    code = compile(writer.source(), f"<plan {len(plan.sends)} sends>", "exec")
    names = {**functions, **writer.constants}
    _written[:] = [(plan, code, names)]
    return code, names


def _functions(plan: Plan) -> dict[str, Any]:
    return {
        "SentFrame": SentFrame,
        "new_frame": tuple.__new__,
        "from_bytes": int.from_bytes,
        "deque": deque,
        "partial": partial,
        "div_round": div_round,
        "tables": [make_table(t) for t in plan.tables],
        "lookups": [make_lookup(lookup) for lookup in plan.lookups],
        "plan_passes": plan.passes,
        "JoinedAnswer": JoinedAnswerState,
        "plan_joined": plan.joined,
    }


def _build(plan: Plan) -> tuple[Any, ...]:
    code, names = _code_of(plan)
    namespace = dict(names)
    exec(code, namespace)
    built: tuple[Any, ...] = namespace["build"]()
    return built
