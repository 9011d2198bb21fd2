"""The fast translator does on every call what the plan's contract, written out slowly, says."""

from __future__ import annotations

import pytest

from swapbridge.plan.python.translator import Translator
from tests.compiler.kit import RICH, compile_text, drive
from tests.emit.random_plans import random_calls, random_plan
from tests.plan.slow_translator import SlowTranslator


@pytest.mark.parametrize("seed", range(6))
def test_agrees_call_by_call_on_random_traffic(seed: int) -> None:
    sent = drive(compile_text(RICH), seed, 2500, start=0xFFFF_FFFF - 700_000 * seed)
    assert sent > 300


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 106))
def test_agrees_call_by_call_for_long(seed: int) -> None:
    drive(compile_text(RICH), seed, 40_000, start=0xFFFF_FFFF - 10_000_000)


@pytest.mark.parametrize("seed", [*range(40), 5071, 5239])
def test_agrees_on_random_plans(seed: int) -> None:
    """Plans that no bridge file would give, within the contract: every operation, layout, method and timing.

    5071: a bus wakes while a passed frame waits in the queue. 5239: forms that differ only under the counter.
    """
    plan = random_plan(seed)
    fast, slow = Translator(plan), SlowTranslator(plan)
    for call in random_calls(plan, seed, 400):
        now = call.time_us & 0xFFFF_FFFF
        if call.word is not None:
            fast.on_frame(call.bus, call.word, call.data, now)
            slow.on_frame(call.bus, call.word, call.data, now)
        else:
            sent = fast.poll(now)
            assert (None if sent is None else tuple(sent)) == slow.poll(now)
        assert fast.next_poll(now) == slow.next_poll(now)
    assert [fast.slot(n) for n in range(len(plan.slots))] == slow.slots
