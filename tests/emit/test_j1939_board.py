"""A bridge with long J1939 messages and claims on a Cortex-M4: what it takes of flash, RAM and cycles."""

from __future__ import annotations

import random

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from tests.benchmarks import cortex_m
from tests.compiler.group_maps import frame_of
from tests.compiler.long_maps import DM1, HEARS, LONG_MAPS, SAYS
from tests.emit.group_plans import Peer, naming_call


def records(plan: Plan, count: int) -> list[cortex_m.Record]:
    """Groups, packets of several messages at once, permissions, requests for the address and claims of it."""
    rng, peer, now = random.Random(1), Peer(plan, random.Random(1)), 0
    translator, out = Translator(plan), list[cortex_m.Record]()
    while len(out) < count:
        now += rng.choice((300, 1000, 2500, 7000))
        bus, word, data = peer.call()
        if rng.random() < 0.02:
            bus, word, data = naming_call(plan, rng)
        elif rng.random() < 0.5:
            bus, (word, data) = 0, frame_of(rng.choice((0xF004, 0xFEF1, 0xFEEE, DM1)), rng)
        elif rng.random() < 0.2:
            bus, word, data = 1, 0x300, rng.randbytes(8)
        out.append(cortex_m.Record(0, now, bus, word, data))
        translator.on_frame(bus, word, data, now)
        for _ in range(20):
            out += [cortex_m.Record(1, now), cortex_m.Record(2, now)]
            translator.poll(now)
            if translator.next_poll(now) != now:
                break
    return out


NAMES = """[sources."donor.EEC1"]
from = { function = 0 }
[sources."donor.EC1"]
from = { function = 0, ecu_instance = 0 }
"""
OWN = 'absent = ["CAB"]\nnames.200 = { manufacturer_code = 5, function = 18 }'
ASKED = "from = 200\non_request = true\ngap_ms = 500\nwith_bus = true"


@pytest.mark.long
@pytest.mark.parametrize("to", ["", "\nto = 0"])
@pytest.mark.parametrize("whole", [False, True])
def test_long_messages_stay_inside_the_board(to: str, whole: bool) -> None:
    """The layer's own part is some 4 KiB of flash and 160 bytes of RAM here; targets are those of the demo's plan.

    The whole of J1939 adds senders by NAME, a NAME of its own with its wait, a group that is asked for and lives with
    its bus.
    """
    text = HEARS + SAYS.replace("from = 49", f"from = 49{to}")
    if whole:
        text = (HEARS + SAYS + NAMES).replace("from = 49", ASKED + to).replace('absent = ["CAB"]', OWN)
    plan = compile_bridge(parse_bridge(text), LONG_MAPS).plan
    report = cortex_m.measure(plan, records(plan, 4000))
    assert report.flash_bytes <= cortex_m.FLASH_TARGET // 2
    assert report.state_bytes + report.stack_bytes <= cortex_m.RAM_TARGET // 4
    assert max(report.cycles.values()) <= cortex_m.CYCLES_TARGET
