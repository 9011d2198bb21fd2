"""Compiler room: the state machine (asleep, wake, key on, crank, run, after-run) as operations of the first task."""

from __future__ import annotations

from swapbridge.compiler.build import BlockBuilder
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.expressions.values import Wanted, need_truth
from swapbridge.compiler.refusals import LoweringError
from swapbridge.language.bridge_file import Written
from swapbridge.plan.plan import STATES

ASLEEP, WAKE, KEY_ON, CRANK, RUN, AFTER_RUN = range(len(STATES))


def write_states(lowering: Lowering) -> None:
    """Write the update of slot 0.

    No wake bus awake: asleep. Otherwise crank, run or key_on where its condition holds and is valid (in that order),
    after-run for its time afterwards, else wake. A bridge that states no condition is in run while awake.
    """
    rules = lowering.bridge.states
    with lowering.tasks.writing() as task:
        awake = task.const(0)
        for number, bus in enumerate(lowering.bridge.buses):
            if rules.wake_by is None or bus.name in rules.wake_by:
                awake = task.emit("or", awake, task.emit("awake", value=number))
        stated = [s for s in (rules.crank, rules.run, rules.key_on) if s is not None]
        state = task.const(WAKE if stated else RUN)
        crank, run, key = (_holds(lowering, task, source) for source in (rules.crank, rules.run, rules.key_on))
        if rules.after_run_us and stated:
            ticks = max(1, -(-rules.after_run_us // lowering.bridge.step_us))
            left = lowering.memory.slot("after-run steps left", 0, 0, ticks)
            waiting = task.load(left)
            fewer = task.emit("max", task.emit("sub", waiting, task.const(1)), task.const(0))
            on = task.emit("or", task.emit("or", crank, run), key)
            task.store(
                left, task.emit("select", awake, task.emit("select", on, task.const(ticks), fewer), task.const(0))
            )
            state = task.emit("select", waiting, task.const(AFTER_RUN), state)
        state = task.emit("select", key, task.const(KEY_ON), state)
        state = task.emit("select", run, task.const(RUN), state)
        state = task.emit("select", crank, task.const(CRANK), state)
        task.store(0, task.emit("select", awake, state, task.const(ASLEEP)))


def _holds(lowering: Lowering, task: BlockBuilder, written: Written | None) -> int:
    if written is None:
        return task.const(0)
    value = lowering.lower_written(written, task, Wanted())
    try:
        register = need_truth(task, value)
    except LoweringError as error:
        raise lowering.bridge.refuse(written.place, error.reason, error.remedy) from None
    return register if value.valid is None else task.emit("and", register, value.valid)
