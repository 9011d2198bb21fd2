"""Another J1939 stack and a translator of ours on one bus: `can-j1939` on python-can's virtual bus.

Time is simulated: the stack's data link layer is asked at the moments that a clock of the test says, so that a slow
computer changes nothing.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterator
from typing import Any

import can
import j1939.controller_application
import j1939.j1939_21
import pytest
from j1939 import ControllerApplication, ElectronicControlUnit, Name

from swapbridge.bus.adapters.can_messages import message_of, word_of
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939 as ours
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.program import TranslatorLike
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.dbc_read import parse_map
from tests.compiler.group_maps import MAPS
from tests.compiler.long_maps import EC1, HEARS, LONG_TEXT, SAYS, configuration

CAB, ENGINE = 49, 0
TO_ENGINE, TO_CAB = (ours.Identifier(6, 0xEF00, a, b).word for a, b in ((CAB, ENGINE), (ENGINE, CAB)))
TEXT = LONG_TEXT.replace(
    "BO_ 291 PLAIN",
    f"""BO_ {TO_ENGINE} CabToEngine: 20 CAB
 SG_ Wish : 120|16@1+ (0.1,0) [0|6425.5] "Nm" ENGINE
BO_ {TO_CAB} EngineToCab: 23 ENGINE
 SG_ Answer : 160|16@1+ (0.01,0) [0|640] "km/h" CAB
BO_ 291 PLAIN""",
).replace(
    'BA_ "GenMsgCycleTime" BO_ 2364540158 20;',
    'BA_ "GenMsgCycleTime" BO_ 2364540158 20;'
    + "".join(f'\nBA_ "GenMsgCycleTime" BO_ {number} 2000;' for number in (TO_ENGINE, TO_CAB)),
)
SAYS_TO_ONE = SAYS.replace("donor.CabReport", "donor.CabToEngine").replace("Late =", "Wish =")


class Stack(ElectronicControlUnit):  # type: ignore[misc]
    """An ECU of `can-j1939` whose thread is the test's clock."""

    def __init__(self, bus: can.BusABC, packets: int) -> None:
        self._bus, self._send_lock = bus, threading.Lock()
        self._subscribers: list[Any] = []
        self._timer_events: list[Any] = []
        self.j1939_dll = j1939.j1939_21.J1939_21(
            self.send_message, lambda: None, self._notify_subscribers, packets, 0.005, None, self._is_message_acceptable
        )

    def _job_thread_wakeup(self) -> None:
        pass

    def step(self, now: float) -> None:
        self.j1939_dll.async_job_thread(now)
        for event in list(self._timer_events):
            if event["deadline"] <= now:
                if event["callback"](event["cookie"]):
                    event["deadline"] += event["delta_time"]
                else:
                    self._timer_events.remove(event)


class Bench:
    """Both on one bus."""

    def __init__(self, translator: TranslatorLike, packets: int, clock: list[float]) -> None:
        channel = f"peers-{uuid.uuid4().hex[:12]}"
        self.mine, theirs = (can.Bus(channel, interface="virtual") for _ in range(2))
        self.theirs, self.translator, self.clock = theirs, translator, clock
        self.stack = Stack(theirs, packets)
        self.heard: list[tuple[int, int, bytes]] = []
        self.host: list[bytes] = []
        self.stack.subscribe(lambda _, number, source, __, data: self.heard.append((number, source, bytes(data))))

    def run(self, seconds: float, each: Callable[[int], None] = lambda now_ms: None) -> None:
        for _ in range(round(1000 * seconds)):
            self.clock[0] += 0.001
            now = round(self.clock[0] * 1e6) & 0xFFFF_FFFF
            each(round(self.clock[0] * 1000))
            self.stack.step(self.clock[0])
            while (message := self.mine.recv(0)) is not None:
                self.translator.on_frame(0, word_of(message), bytes(message.data), now)
            while True:
                frame = self.translator.poll(now)
                if frame is not None and frame.bus == 0:
                    self.mine.send(message_of(frame.word, frame.data))
                elif frame is not None:
                    self.host.append(frame.data)
                if self.translator.next_poll(now) != now:
                    break
            while (message := self.theirs.recv(0)) is not None:
                self.stack.notify(message.arbitration_id, message.data, message.timestamp)

    @property
    def told(self) -> float:
        return int.from_bytes(self.host[-1][3:5], "little") / 100


@pytest.fixture(params=[Translator, NativeTranslator])
def bench(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Bench]]:
    clock, made = [1000.0], list[Bench]()
    fake = type("Clock", (), {"time": staticmethod(lambda: clock[0]), "sleep": staticmethod(lambda _: None)})
    for module in (j1939.j1939_21, j1939.electronic_control_unit):
        monkeypatch.setattr(module, "time", fake)

    def make(text: str, packets: int = 255) -> Bench:
        maps = {**MAPS, "donor": parse_map(TEXT, "donor.dbc")}
        made.append(Bench(request.param(compile_bridge(parse_bridge(text), maps).plan), packets, clock))
        return made[-1]

    yield make
    for one in made:
        one.mine.shutdown()
        one.theirs.shutdown()


def cab_hears_from_engine(text: str) -> str:
    return text.replace("donor.EC1.ReferenceTorque / 20 Nm * 1 km/h", "donor.EngineToCab.Answer")


def test_their_announced_message_reaches_the_host(bench: Callable[..., Bench]) -> None:
    here = bench(HEARS)
    here.stack.send_pgn(0, EC1 >> 8, EC1 & 255, 6, ENGINE, list(configuration(1800)))
    here.run(1.0)
    assert here.told == 90


@pytest.mark.parametrize("packets", [1, 2, 255])
def test_their_message_to_our_address_is_permitted_packet_by_packet(bench: Callable[..., Bench], packets: int) -> None:
    here = bench(cab_hears_from_engine(HEARS) + SAYS, packets)
    engine = here.stack.add_ca(name=Name(arbitrary_address_capable=0, identity_number=7), device_address=ENGINE)
    engine.start()
    here.run(0.6)
    payload = bytearray(b"\xff" * 23)
    payload[20:22] = (9000).to_bytes(2, "little")
    assert here.stack.send_pgn(0, 0xEF, CAB, 6, ENGINE, list(payload))
    here.run(1.0)
    assert here.told == 90
    assert not here.stack.j1939_dll._snd_buffer  # acknowledged: nothing waits any more


def test_they_hear_what_we_announce(bench: Callable[..., Bench]) -> None:
    here = bench(HEARS + SAYS)
    here.run(
        1.2, lambda ms: here.translator.on_frame(1, 0x300, bytes([0xD2, 4, 0, 0, 0, 0, 0, 0]), ms * 1000 & 0xFFFF_FFFF)
    )
    reports = [data for number, source, data in here.heard if (number, source) == (0xFEEB, CAB)]
    assert reports[-1] == b"\xff" * 18 + bytes([0xD2, 4])


@pytest.mark.parametrize("packets", [1, 2, 255])
def test_they_permit_and_hear_what_we_send_to_their_address(bench: Callable[..., Bench], packets: int) -> None:
    here = bench(HEARS + SAYS_TO_ONE, packets)
    here.stack.add_ca(name=Name(arbitrary_address_capable=0, identity_number=7), device_address=ENGINE).start()
    here.run(
        3.0, lambda ms: here.translator.on_frame(1, 0x300, bytes([0xD2, 4, 0, 0, 0, 0, 0, 0]), ms * 1000 & 0xFFFF_FFFF)
    )
    wishes = [data for number, source, data in here.heard if (number, source) == (0xEF00, CAB)]
    assert wishes[-1] == b"\xff" * 15 + bytes([0xD2, 4]) + b"\xff" * 3
    assert not here.stack.j1939_dll._rcv_buffer


def test_who_asks_them_is_told_our_name_and_their_claim_ends_ours(bench: Callable[..., Bench]) -> None:
    here = bench(HEARS + SAYS)
    claims: list[tuple[int, Any]] = []
    watcher = here.stack.add_ca(name=Name(arbitrary_address_capable=0, identity_number=9), device_address=ENGINE)
    process = watcher._process_addressclaim

    def watch(mid: Any, data: bytes, at: float) -> None:
        claims.append((mid.source_address, data))
        process(mid, data, at)

    watcher._process_addressclaim = watch
    watcher.start()
    here.run(0.6)
    first = len(claims)
    watcher.send_request(0, j1939.ParameterGroupNumber.PGN.ADDRESSCLAIM, 255)
    here.run(0.2)
    source, data = claims[-1]
    assert len(claims) == first + 1
    assert source == CAB
    assert Name(bytes=data).value == ours.last_name(CAB).value
    module = ControllerApplication(Name(arbitrary_address_capable=1, identity_number=11, industry_group=7), CAB)
    here.stack.add_ca(controller_application=module)
    module.start()
    here.run(1.5)
    assert module.state == ControllerApplication.State.NORMAL  # theirs keeps it, although its name is a high one
    assert [claim.address for claim in here.translator.lost_addresses] == [CAB]
    here.heard.clear()
    here.run(2.5)
    assert not [one for one in here.heard if one[1] == CAB]
    assert 254 in [source for source, _ in claims]


BY_NAME = HEARS + '[sources."donor.EC1"]\nfrom = { function = 0, manufacturer_code = 5, industry_group = 2 }\n'
ENGINE_NAME = Name(
    arbitrary_address_capable=0, industry_group=2, vehicle_system=0, function=0, manufacturer_code=5, identity_number=7
)


@pytest.mark.parametrize("address", [ENGINE, 140])
def test_their_node_is_heard_by_its_name(bench: Callable[..., Bench], address: int) -> None:
    """It claims when it starts; what it says before is not believed."""
    here = bench(BY_NAME)
    here.stack.send_pgn(0, EC1 >> 8, EC1 & 255, 6, address, list(configuration(1800)))
    here.run(1.0)
    assert here.told != 90
    here.stack.add_ca(name=ENGINE_NAME, device_address=address).start()
    here.run(0.6)
    here.stack.send_pgn(0, EC1 >> 8, EC1 & 255, 6, address, list(configuration(1800)))
    here.run(1.0)
    assert here.told == 90


def test_their_node_answers_our_question_who_has_its_name(bench: Callable[..., Bench]) -> None:
    here = bench(BY_NAME)
    node = here.stack.add_ca(name=ENGINE_NAME, device_address=ENGINE)
    node.start()
    for _ in range(600):  # it claims while we are not there yet
        here.clock[0] += 0.001
        here.stack.step(here.clock[0])
    while here.mine.recv(0) is not None:
        pass
    here.stack.send_pgn(0, 0xFE, 0xF6, 6, ENGINE, [0xFF] * 8)  # any traffic wakes us
    here.run(0.1)
    here.stack.send_pgn(0, EC1 >> 8, EC1 & 255, 6, ENGINE, list(configuration(1800)))
    here.run(1.0)
    assert here.told == 90


OWN_NAME = "names.CAB = { manufacturer_code = 5, identity_number = 70, industry_group = 2 }"
STATED = HEARS.replace('absent = ["CAB"]', f'absent = ["CAB"]\n{OWN_NAME}') + SAYS


def test_their_higher_name_does_not_take_our_address(bench: Callable[..., Bench]) -> None:
    here = bench(STATED)
    here.run(0.5, lambda ms: here.translator.on_frame(1, 0x300, bytes(8), ms * 1000 & 0xFFFF_FFFF))
    module = ControllerApplication(
        Name(arbitrary_address_capable=0, identity_number=71, manufacturer_code=5, industry_group=2), CAB
    )
    here.stack.add_ca(controller_application=module)
    module.start()
    here.run(1.5)
    assert module.state == ControllerApplication.State.CANNOT_CLAIM
    assert not here.translator.lost_addresses


def test_their_lower_name_takes_it(bench: Callable[..., Bench]) -> None:
    here = bench(STATED)
    here.run(0.5, lambda ms: here.translator.on_frame(1, 0x300, bytes(8), ms * 1000 & 0xFFFF_FFFF))
    module = ControllerApplication(
        Name(arbitrary_address_capable=0, identity_number=69, manufacturer_code=5, industry_group=2), CAB
    )
    here.stack.add_ca(controller_application=module)
    module.start()
    here.run(1.5)
    assert module.state == ControllerApplication.State.NORMAL
    assert [claim.address for claim in here.translator.lost_addresses] == [CAB]


ASKED = SAYS.replace("from = 49", "from = 49\non_request = true\ngap_ms = 300")


def test_their_node_asks_for_our_group_and_is_refused_another(bench: Callable[..., Bench]) -> None:
    here = bench(HEARS + ASKED)
    node = here.stack.add_ca(name=Name(arbitrary_address_capable=0, identity_number=9), device_address=ENGINE)
    node.start()

    def wish(ms: int) -> None:
        here.translator.on_frame(1, 0x300, bytes([0xD2, 4, 0, 0, 0, 0, 0, 0]), ms * 1000 & 0xFFFF_FFFF)

    here.run(1.0, wish)
    assert not [one for one in here.heard if one[1] == CAB]
    node.send_request(0, 0xFEEB, CAB)
    here.run(1.0, wish)
    reports = [data for number, source, data in here.heard if (number, source) == (0xFEEB, CAB)]
    assert reports == [b"\xff" * 18 + bytes([0xD2, 4])]
    node.send_request(0, 0xFECC, CAB)
    here.run(0.2, wish)
    refusals = [data for number, source, data in here.heard if (number & 0xFF00, source) == (0xE800, CAB)]
    assert refusals == [bytes([1, 255, 255, 255, ENGINE, 0xCC, 0xFE, 0])]
