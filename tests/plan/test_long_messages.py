"""Long messages put together for a screen: packets of a plan that has any, and nothing else."""

from __future__ import annotations

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.long_messages import LongMessages
from tests.compiler.kit import compile_text
from tests.compiler.long_maps import EC1, HEARS, LONG_MAPS, announced, configuration
from tests.compiler.test_messages import SPEED


def test_packets_become_a_message_and_other_frames_do_not() -> None:
    messages = LongMessages(compile_bridge(parse_bridge(HEARS), LONG_MAPS).plan)
    assert messages.take(0, 0x123, bytes(8), 0) is None
    whole = [messages.take(0, word, data, 0) for word, data in announced(EC1, configuration(1800))]
    assert whole[-1] == (j1939.Identifier(6, EC1, 0).word, configuration(1800))
    assert set(whole[:-1]) == {None}


def test_a_plan_without_j1939_takes_no_packets() -> None:
    messages = LongMessages(compile_text(SPEED).plan)
    assert [messages.take(0, word, data, 0) for word, data in announced(EC1, configuration(1800))] == [None] * 7
