"""The live translator between buses: watching, sending, and every fault that a garage offers."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import can
import pytest

from swapbridge.bus.adapters.link import Link
from swapbridge.bus.running.gate import FrameRuling
from swapbridge.bus.running.live import Live, LiveOptions
from swapbridge.bus.running.live_status import LiveValues
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Pass, Plan
from swapbridge.plan.program import TranslatorLike
from swapbridge.plan.python.translator import SentFrame, Translator

SPEED, GAUGE, EVENT, FALLBACK = 0x100, 0x200, 0x210, 0xFFFF
Until = Callable[[Callable[[], bool]], None]


class Vehicle:
    """Both ends of two virtual buses: what the donor says, what the host hears, and a live translator between."""

    def __init__(self, channel: str) -> None:
        self.channels = {name: f"{channel}-{name}" for name in ("donor", "host")}
        self.donor, self.host = (self.open(name) for name in ("donor", "host"))
        self.heard: list[can.Message] = []
        self.announced: list[str] = []
        self._lives: list[Live] = []

    def open(self, name: str) -> can.BusABC:
        return can.Bus(interface="virtual", channel=self.channels[name], ignore_config=True)

    def live(self, plan: Plan, translator: TranslatorLike | None = None, **options: Any) -> Live:
        openers = options.pop("openers", {name: lambda name=name: self.open(name) for name in self.channels})
        options = {"sending": True, "watch_first_s": 0.0, "lag_limit_s": 5.0, "black_box_minutes": 0.05} | options
        live = Live(plan, translator or Translator(plan), openers, LiveOptions(**options), self.announced.append)
        self._lives.append(live)
        live.start()
        return live

    def say(self, value: int, word: int = SPEED) -> None:
        data = value.to_bytes(2, "little") + bytes(6)
        self.donor.send(can.Message(arbitration_id=word, is_extended_id=False, data=data))

    def listen(self) -> list[can.Message]:
        while (message := self.host.recv(0.0)) is not None:
            self.heard.append(message)
        return self.heard

    def values(self, word: int = GAUGE) -> list[int]:
        return [int.from_bytes(m.data[:2], "little") for m in self.listen() if m.arbitration_id == word]

    def close(self) -> None:
        for live in self._lives:
            live.stop()
        self.donor.shutdown()
        self.host.shutdown()


@pytest.fixture
def vehicle(channel: str) -> Iterator[Vehicle]:
    made = Vehicle(channel)
    yield made
    made.close()


def test_values_cross_and_fall_back(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    live = vehicle.live(plan)
    until(lambda: FALLBACK in vehicle.values())
    until(lambda: vehicle.say(1234) or 1234 in vehicle.values())  # type: ignore[func-returns-value]
    assert vehicle.values(EVENT)
    until(lambda: vehicle.values()[-1] == FALLBACK)  # the donor fell silent
    status = live.status()
    assert status.sending
    assert status.mode == "sending"
    assert not status.inputs[0].fresh
    assert status.state == "run"
    assert status.outputs[0].ruling is FrameRuling.SEND
    assert status.buses[1].sent > 10
    assert LiveValues(plan).of(0, (1234).to_bytes(2, "little") + bytes(6)) == [("Speed", 308.5, "rpm")]


def test_a_value_on_the_screen_has_its_offset(plan: Plan) -> None:
    (form,) = plan.sends[0].variants
    cold = tuple(replace(f, offset="-40", unit="degC") for f in form.fields)
    shifted = replace(plan, sends=(replace(plan.sends[0], variants=(replace(form, fields=cold),)), *plan.sends[1:]))
    assert LiveValues(shifted).of(0, (1234).to_bytes(2, "little") + bytes(6)) == [("Speed", 268.5, "degC")]


def test_counters_step_by_one_in_every_frame_sent(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    vehicle.live(plan)
    until(lambda: len(vehicle.values()) > 60)
    counters = [m.data[7] for m in vehicle.listen() if m.arbitration_id == GAUGE]
    assert counters == [k % 256 for k in range(len(counters))]


def test_an_added_node_starts_silent_and_shows_both(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    live = vehicle.live(plan, sending=False)
    old_engine = vehicle.open("host")
    until(lambda: vehicle.say(7) or live.status().outputs[0].count > 5)  # type: ignore[func-returns-value]
    old_engine.send(can.Message(arbitration_id=GAUGE, is_extended_id=False, data=b"\x39\x05" + bytes(6)))
    until(lambda: live.status().outputs[0].seen is not None)
    status = live.status()
    assert status.mode == "watching only"
    assert status.outputs[0].ruling is FrameRuling.WITHHELD
    assert status.outputs[0].seen == b"\x39\x05" + bytes(6)
    assert status.outputs[0].data is not None
    assert status.foreign == ("host 200",)
    assert status.buses[1].sent == 0
    assert [m.data[:2] for m in vehicle.listen()] == [b"\x39\x05"]
    old_engine.shutdown()


def test_watching_first_hears_who_is_still_there(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    """The old engine computer still sends one identifier: that one is never sent, the others are."""
    live = vehicle.live(plan, watch_first_s=0.3)
    old_engine = vehicle.open("host")
    assert live.status().mode == "watching before sending"
    old_engine.send(can.Message(arbitration_id=GAUGE, is_extended_id=False, data=bytes(8)))
    until(lambda: live.status().sending)
    until(lambda: vehicle.say(5) or bool(vehicle.values(EVENT)))  # type: ignore[func-returns-value]
    assert vehicle.values() == [0]
    assert any("sent by another node" in words for words in vehicle.announced)
    old_engine.shutdown()


def test_an_inline_plan_forwards_and_keeps_its_own_to_itself(
    vehicle: Vehicle, planned: Callable[..., Plan], until: Until
) -> None:
    plan = planned(placement="inline", passes=(Pass(0, 0x300, 0x3FF, 1),))
    live = vehicle.live(plan, sending=False)
    assert live.status().mode == "forwarding only"
    for value in range(50):
        vehicle.say(value, 0x321)
        vehicle.say(value, 0x421)
    until(lambda: len(vehicle.values(0x321)) == 50)
    assert vehicle.values(0x321) == list(range(50))
    assert {m.arbitration_id for m in vehicle.listen()} == {0x321}
    assert live.status().passed == 50


def test_frames_that_adapters_give_back_are_not_passed_on_again(
    vehicle: Vehicle, planned: Callable[..., Plan], until: Until
) -> None:
    """Some adapters show a sender its own frames; passed both ways, each would go round for ever."""
    plan = planned(placement="inline", passes=(Pass(0, 0x300, 0x3FF, 1), Pass(1, 0x300, 0x3FF, 0)))

    def opener(name: str) -> Callable[[], can.BusABC]:
        channel = vehicle.channels[name]
        return lambda: can.Bus(interface="virtual", channel=channel, receive_own_messages=True, ignore_config=True)

    live = vehicle.live(plan, sending=False, openers={name: opener(name) for name in vehicle.channels})
    for value in range(20):
        vehicle.say(value, 0x321)
    until(lambda: len(vehicle.values(0x321)) >= 20)
    time.sleep(0.2)
    assert vehicle.values(0x321) == list(range(20))
    assert live.status().passed == 20
    assert vehicle.donor.recv(0.0) is None


def test_malformed_frames_harm_nothing(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    live = vehicle.live(plan)
    odd = [
        can.Message(arbitration_id=SPEED, is_extended_id=False, data=b""),
        can.Message(arbitration_id=SPEED, is_extended_id=False, data=b"\1"),
        can.Message(arbitration_id=SPEED, is_extended_id=False, is_remote_frame=True, dlc=8),
        can.Message(arbitration_id=SPEED, is_extended_id=False, is_fd=True, data=bytes(64)),
        can.Message(is_error_frame=True),
        can.Message(arbitration_id=SPEED, is_extended_id=True, data=b"\x22\x22" + bytes(6)),
    ]
    for message in odd * 20:
        vehicle.donor.send(message)
    vehicle.say(99)
    until(lambda: 99 in vehicle.values())
    assert set(vehicle.values()) <= {99, FALLBACK}
    status = live.status()
    assert status.buses[0].malformed == 40
    assert status.bad_frames == 40
    assert live.alive


def test_an_adapter_that_goes_means_fallbacks_and_comes_back(
    vehicle: Vehicle, plan: Plan, breakable: Callable[[], Any], until: Until
) -> None:
    made: list[Any] = []

    def donor() -> Any:
        made.append(breakable())
        return made[-1]

    live = vehicle.live(plan, openers={"donor": donor, "host": lambda: vehicle.open("host")})
    message = can.Message(arbitration_id=SPEED, is_extended_id=False, data=b"\x11\x11" + bytes(6))
    made[0].frames.append(message)
    until(lambda: 0x1111 in vehicle.values())
    made[0].broken.set()
    until(lambda: not live.status().buses[0].up)
    until(lambda: vehicle.values()[-1] == FALLBACK)
    assert live.faulty.is_set()
    until(lambda: len(made) == 2 and live.status().buses[0].up)
    made[1].frames.append(can.Message(arbitration_id=SPEED, is_extended_id=False, data=b"\x22\x22" + bytes(6)))
    until(lambda: 0x2222 in vehicle.values())
    assert any("was lost" in words for words in vehicle.announced)
    assert any("is back" in words for words in vehicle.announced)


@pytest.mark.parametrize("how", ["bus-off", "state", "refuses"])
def test_bus_off_and_a_bus_that_takes_nothing(
    how: str, vehicle: Vehicle, plan: Plan, breakable: Callable[[], Any], until: Until
) -> None:
    made: list[Any] = []

    def host() -> Any:
        made.append(breakable())
        return made[-1]

    live = vehicle.live(plan, openers={"donor": lambda: vehicle.open("donor"), "host": host})
    until(lambda: len(made[0].taken) > 3)
    if how == "bus-off":
        made[0].frames.append(can.Message(is_error_frame=True, arbitration_id=0x40, data=bytes(8)))
    elif how == "state":
        made[0].says = can.BusState.ERROR
    else:
        made[0].refuse = can.CanOperationError("Transmit buffer full")
    until(lambda: len(made) == 2)
    until(lambda: len(made[1].taken) > 3)
    words = "accepts no frames" if how == "refuses" else "bus-off"
    assert any(words in announced for announced in vehicle.announced)
    until(lambda: live.status().buses[1].reopened == 1)


def test_nothing_old_is_sent_after_an_outage(plan: Plan, breakable: Callable[[], Any], until: Until) -> None:
    """While the bus is gone nothing is kept back to be sent later; a frame that waited too long is dropped."""
    bus = breakable()
    gate = threading.Event()

    class Slow(type(bus)):  # type: ignore[misc]
        def send(self, msg: can.Message, timeout: float | None = None) -> None:
            gate.wait(5)
            self.taken.append(msg)

    slow = Slow()
    link = Link("host", lambda: slow, lambda message, at: None, lambda words: None, sending=True)
    message = can.Message(arbitration_id=GAUGE, is_extended_id=False, data=bytes(8))
    assert not link.send(message)
    link.start()
    for _ in range(5):
        assert link.send(message)
    time.sleep(0.1)
    gate.set()
    until(lambda: link.counts.too_late == 4)
    assert len(slow.taken) == 1
    link.stop()
    assert not link.send(message)


def test_the_send_queue_never_grows_without_bound(breakable: Callable[[], Any]) -> None:
    bus = breakable()
    gate = threading.Event()

    class Slow(type(bus)):  # type: ignore[misc]
        def send(self, msg: can.Message, timeout: float | None = None) -> None:
            gate.wait(5)

    link = Link("host", Slow, lambda message, at: None, lambda words: None, sending=True)
    link.start()
    message = can.Message(arbitration_id=GAUGE, is_extended_id=False, data=bytes(8))
    assert [link.send(message) for _ in range(1000)].count(True) <= 513
    gate.set()
    link.stop()


class Fake:
    """A translator that does as a test says."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.queue: list[SentFrame] = []
        self.block_s = 0.0
        self.error: Exception | None = None

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        if self.error is not None:
            raise self.error

    def poll(self, now: int) -> SentFrame | None:
        if self.block_s:
            time.sleep(self.block_s)
        return self.queue.pop(0) if self.queue else None

    def next_poll(self, now: int) -> int:
        return now if self.queue else now + 5000 & 0xFFFF_FFFF

    def feed_fresh(self, number: int) -> bool:
        return False

    lost_addresses = ()

    state = bad_frames = dropped_frames = 0


def test_a_translator_gone_wild_is_stopped_by_the_gate(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    fake = Fake(plan)
    live = vehicle.live(plan, fake)
    fake.queue = [SentFrame(1, GAUGE, bytes(8))] * 200
    until(lambda: bool(live.status().shut))
    assert len(vehicle.values()) <= 5
    until(live.faulty.is_set)
    fake.queue = [SentFrame(1, EVENT, bytes(8))]
    until(lambda: not fake.queue)
    assert vehicle.values(EVENT) == []
    assert live.status().mode == "sending stopped"


def test_an_identifier_outside_the_plan_never_goes_out(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    fake = Fake(plan)
    live = vehicle.live(plan, fake)
    fake.queue = [SentFrame(1, 0x7FF, bytes(8)), SentFrame(0, GAUGE, bytes(8))]
    until(lambda: bool(live.status().shut))
    assert vehicle.listen() == []
    assert any("not in the plan" in words for words in vehicle.announced)


def test_a_late_loop_sends_safe_answers_until_it_is_calm(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    """A hiccup of 57 ms silenced both buses for a second: a module that hears nothing sets a fault code."""
    fake = Fake(plan)
    live = vehicle.live(plan, fake, lag_limit_s=0.1)
    value = SentFrame(1, GAUGE, bytes((0xD2, 4, 0, 0, 0, 0, 0, 1)))
    fake.queue = [value]
    until(lambda: vehicle.values() == [1234])
    fake.block_s = 0.3
    until(lambda: live.status().mode == "sending safe answers")
    assert live.status().sending
    fake.queue = [value]
    until(lambda: len(vehicle.values()) >= 2)
    assert vehicle.values()[1] == FALLBACK
    fake.block_s = 0.0
    until(lambda: live.status().mode == "sending")
    assert any("is on time again" in words for words in vehicle.announced)
    count = len(vehicle.values())
    fake.queue = [value]
    until(lambda: len(vehicle.values()) > count)
    assert vehicle.values()[-1] == 1234


def test_a_broken_translator_is_told_and_not_alive(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    fake = Fake(plan)
    live = vehicle.live(plan, fake)
    assert live.alive
    fake.error = ZeroDivisionError("oh")
    vehicle.say(1)
    until(lambda: not live.alive)
    assert "ZeroDivisionError" in live.status().shut


def test_a_hung_translator_is_not_alive(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    fake = Fake(plan)
    live = vehicle.live(plan, fake)
    fake.block_s = 2.5
    until(lambda: not live.alive)
    fake.block_s = 0.0


def test_an_fd_plan_sends_fd_frames(vehicle: Vehicle, planned: Callable[..., Plan], until: Until) -> None:
    vehicle.live(planned(fd=True))
    until(lambda: vehicle.say(3) or bool(vehicle.values(EVENT)))  # type: ignore[func-returns-value]
    event = next(m for m in vehicle.listen() if m.arbitration_id == EVENT)
    gauge = next(m for m in vehicle.listen() if m.arbitration_id == GAUGE)
    assert event.is_fd
    assert event.bitrate_switch
    assert len(event.data) == 64
    assert not gauge.is_fd


def test_the_end_waits_for_no_age_limit(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    """However long an age limit or hold time is, the safe answer goes out at once, and nothing after it."""
    slow = replace(plan, feeds=(replace(plan.feeds[0], max_age_us=60_000_000, triggers=()),))
    live = vehicle.live(slow)
    until(lambda: vehicle.say(1234) or 1234 in vehicle.values())  # type: ignore[func-returns-value]
    begun = time.monotonic()
    assert live.end() == ()
    assert time.monotonic() - begun < 1.0
    until(lambda: vehicle.values()[-1] == FALLBACK)
    vehicle.say(1234)
    time.sleep(0.1)
    assert vehicle.values()[-1] == FALLBACK
    assert live.end() == (), "once only"


def test_the_end_needs_no_translator(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    """It may be the very thing that hangs, or is broken: its last frame is made safe without it."""
    fake = Fake(plan)
    live = vehicle.live(plan, fake)
    fake.queue += [SentFrame(1, GAUGE, bytes((0xD2, 4, 0, 0, 0, 0, 0, 41)))]
    vehicle.say(1)
    until(lambda: 1234 in vehicle.values())
    fake.block_s = 3.0
    time.sleep(0.1)
    live.end()
    until(lambda: vehicle.values()[-1] == FALLBACK)
    assert vehicle.listen()[-1].data[7] > 41, "its counter went on"
    fake.block_s = 0.0


def in_two_turns(plan: Plan) -> Plan:
    """The gauge by turns in two forms: its third byte says which, the second form has the value in bytes 4 and 5."""
    send = plan.sends[0]
    first = replace(send.variants[0].fields[0], feeds=(0,))
    second = replace(first, name="Also", layout=Layout(32, 16))
    forms = tuple(
        replace(send.variants[0], base=bytes((0, 0, number, 0, 0, 0, 0, 0)), fields=(one,))
        for number, one in ((1, first), (2, second))
    )
    feed = replace(plan.feeds[0], max_age_us=600_000, triggers=())
    return replace(plan, feeds=(feed,), sends=(replace(send, variants=forms), *plan.sends[1:]))


def test_the_end_says_every_form_of_a_message(vehicle: Vehicle, plan: Plan, until: Until) -> None:
    live = vehicle.live(in_two_turns(plan))
    until(lambda: vehicle.say(1234) or 1234 in vehicle.values())  # type: ignore[func-returns-value]
    until(lambda: any(m.data[2] == 2 and m.data[4:6] == b"\xd2\x04" for m in vehicle.listen()))
    assert live.end() == ()
    # what was handed over reaches the bus a moment later
    safe = [bytes((0xFF, 0xFF, 1, 0, 0, 0)), bytes((0, 0, 2, 0, 0xFF, 0xFF))]
    until(lambda: sorted((bytes(m.data[:6]) for m in vehicle.listen()[-2:]), key=lambda d: d[2]) == safe)


def test_values_of_a_message_in_several_forms(plan: Plan) -> None:
    turns = in_two_turns(plan)
    values = LiveValues(turns)
    assert values.of(0, bytes((0xD2, 4, 1, 0, 0, 0, 0, 9))) == [("Speed", 308.5, "rpm")]
    assert values.of(0, bytes((0, 0, 2, 0, 0xD2, 4, 0, 9))) == [("Also", 308.5, "rpm")]
    assert values.of(0, bytes((0, 0, 2, 5, 0xD2, 4, 0, 9))) == [("Also", 308.5, "rpm")], "as another node fills it"
    assert values.of(0, bytes((0, 0, 3, 0, 0xD2, 4, 0, 9))) == [], "of a form that is not in the plan"
    assert values.of(0, bytes((0xD2, 4, 1))) == []
    assert LiveValues(plan).of(0, bytes((0xD2, 4, 1, 7, 7, 7, 7, 9))) == [("Speed", 308.5, "rpm")], "only one form"


def test_a_bus_that_cant_be_opened_closes_the_others(vehicle: Vehicle, plan: Plan) -> None:
    opened: list[can.BusABC] = []

    def donor() -> can.BusABC:
        opened.append(vehicle.open("donor"))
        return opened[-1]

    def host() -> can.BusABC:
        raise can.CanInitializationError("no such device")

    with pytest.raises(can.CanInitializationError):
        vehicle.live(plan, openers={"donor": donor, "host": host})
    with pytest.raises(can.CanOperationError):
        opened[0].recv(0)


def test_never_a_cyclic_task(plan: Plan, vehicle: Vehicle, monkeypatch: pytest.MonkeyPatch, until: Until) -> None:
    """Nothing is ever handed to the adapter's or the kernel's own cyclic sending."""

    def forbidden(*args: Any, **kwargs: Any) -> Any:
        raise AssertionError("cyclic sending was asked for")

    monkeypatch.setattr(can.BusABC, "send_periodic", forbidden)
    vehicle.live(plan)
    until(lambda: len(vehicle.values()) > 10)


def test_the_black_box_holds_both_buses(vehicle: Vehicle, plan: Plan, until: Until, tmp_path: Any) -> None:
    from swapbridge.capture.capture import SENT
    from swapbridge.capture.read import read_capture

    live = vehicle.live(plan)
    until(lambda: vehicle.say(77) or 77 in vehicle.values())  # type: ignore[func-returns-value]
    path = live.black_box.write(tmp_path, "test")
    box = read_capture(path)
    assert set(box.bus_names) == {"donor", "host"}
    sent = (box.flags & SENT) != 0
    assert set(box.identifier[sent].tolist()) == {GAUGE, EVENT}
    assert set(box.identifier[~sent].tolist()) == {SPEED}
    assert box.notes.sentences() == []
