"""A live translator on a J1939 bus: its claim goes out, packets are shown as one message, a lost address is told."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import can
import pytest
from rich.console import Console

from swapbridge.bus.adapters.can_messages import message_of
from swapbridge.bus.running.live import Live, LiveOptions
from swapbridge.bus.running.live_status import LiveValues
from swapbridge.bus.running.status_dict import status_dict
from swapbridge.cli.screen.live_screen import run_screen
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from tests.compiler.long_maps import EC1, HEARS, LONG_MAPS, SAYS, announced, configuration

Until = Callable[[Callable[[], bool]], None]
CAB = 49


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_bridge(parse_bridge(HEARS + SAYS), LONG_MAPS).plan


@pytest.fixture
def wire(plan: Plan, channel: str) -> Iterator[tuple[can.BusABC, Live, list[str]]]:
    def opened(name: str) -> can.BusABC:
        return can.Bus(interface="virtual", channel=f"{channel}-{name}", ignore_config=True)

    sentences: list[str] = []
    bus, openers = opened("donor"), {name: (lambda name=name: opened(name)) for name in ("donor", "host")}
    options = LiveOptions(sending=True, watch_first_s=0.2, lag_limit_s=30.0, black_box_minutes=0.05)
    live = Live(plan, Translator(plan), openers, options, sentences.append)
    live.start()
    yield bus, live, sentences
    live.stop()
    bus.shutdown()


def test_claims_packets_and_a_lost_address(wire: tuple[can.BusABC, Live, list[str]], plan: Plan, until: Until) -> None:
    bus, live, sentences = wire
    heard: list[can.Message] = []

    def came(form: int) -> bool:
        for word, data in announced(EC1, configuration(1800)):
            bus.send(message_of(word, data))
        while (message := bus.recv(0.01)) is not None:
            heard.append(message)
        return any(m.arbitration_id >> 16 & 255 == form and m.arbitration_id & 255 == CAB for m in heard)

    until(lambda: came(0xEE))  # though it woke while sending was not allowed yet
    until(lambda: came(0xEB))
    until(lambda: any(len(i.data) == 39 for i in live.status().inputs if i.name.endswith("EC1")))
    until(lambda: any(o.data is not None and len(o.data) == 20 for o in live.status().outputs))
    assert not live.status().lost
    bus.send(message_of(j1939.Identifier(6, j1939.ADDRESS_CLAIMED, CAB).word, bytes(8)))
    until(lambda: bool(live.status().lost))
    status = live.status()
    assert status.lost == ("address 49 on donor",)
    assert live.faulty.is_set()
    assert any("address 49 on donor is claimed by another node" in words for words in sentences)
    assert status_dict(plan, status, LiveValues(plan))["lost"] == ["address 49 on donor"]
    console = Console(width=120)
    with console.capture() as shown:
        console.print(run_screen(status, LiveValues(plan)))
    assert "address 49 on donor was claimed by another node" in shown.get()
