"""Modules that wait for the engine computer say so: simulated from the standards, asked in simulated time."""

from __future__ import annotations

from dataclasses import replace

import pytest

from swapbridge.asking.ask import Asking, Questions
from swapbridge.asking.module_answers import Answers, Code, answers_from
from tests.asking.bench import Bench
from tests.asking.car import ENGINE_DATA, Car
from tests.asking.modules import MS, Cyclic, Memory, Module, S, Server, Vehicle, X


def of(answers: Answers, answer: str) -> dict[str, Code]:
    """Codes of one module by text, those with status first."""
    module = next(one for one in answers.modules if one.answer == answer)
    return {code.text: code for code in reversed(module.codes)}


def test_a_whole_car_has_no_network_codes() -> None:
    answers = Car().asked()
    assert answers.ended_by == "done"
    assert [one.answer for one in answers.modules] == ["7E8", "7E9", "7EE"]
    assert [one.name for one in answers.modules] == ["engine computer", "transmission", "module 7EE"]
    assert not any(code.about for one in answers.modules for code in one.codes)
    engine = of(answers, "7E8")
    assert engine["P0128"].status == ("stored",)
    assert engine["P0128-00"].status == ("pending", "confirmed", "failed since cleared")
    assert engine["P0128-00"].extended == "01 05"


def test_who_misses_the_engine_computer_says_so() -> None:
    car = Car(engine=False)
    car.bench.idle(8.0)
    answers = car.asked()
    assert [one.answer for one in answers.modules] == ["7E9", "7EE"]
    lost = of(answers, "7E9")["U0100-87"]
    assert (lost.about, lost.missed) == ("lost communication", "engine computer")
    assert {"failed now", "failed this cycle", "pending"} <= set(lost.status)
    assert lost.words == "lost communication with engine computer: message missing"
    assert lost.source == "from memory of SAE J2012"
    assert of(answers, "7EE")["U0100-00"].missed == "engine computer"


def test_a_wrong_checksum_is_invalid_data_not_lost_communication() -> None:
    car = Car(good_checksum=False)
    car.bench.idle(6.0)
    code = of(car.asked(), "7E9")["U0401-83"]
    assert (code.about, code.missed) == ("invalid data", "engine computer")
    assert "checksum" in code.words


def test_codes_are_pending_first_and_confirmed_later_and_latch() -> None:
    car = Car(engine=False)
    car.transmission.memory.monitors[0].confirm_ns = 5 * S
    first = of(car.asked(), "7E9")["U0100-87"]
    assert "confirmed" not in first.status
    car.bench.idle(4.0)
    second = of(car.asked(), "7E9")["U0100-87"]
    assert "confirmed" in second.status
    car.bench.nodes.append(Cyclic(ENGINE_DATA, 10 * MS, lambda t: bytes(8), begin_ns=car.bench.now_ns))
    car.bench.idle(1.0)
    healed = of(car.asked(), "7E9")["U0100-87"]
    assert "failed now" not in healed.status
    assert {"confirmed", "failed this cycle"} <= set(healed.status)


def test_a_low_supply_keeps_monitors_from_judging() -> None:
    car = Car(engine=False, supply_v=9.0)
    car.bench.idle(8.0)
    assert not [code for one in car.asked().modules for code in one.codes if code.about]


def test_the_key_that_goes_off_ends_asking() -> None:
    car = Car()
    asking = Asking(Questions())

    def key_off(now_ns: int) -> None:
        if now_ns > 3 * S and car.vehicle.key_on_ns is not None:
            car.vehicle.key_on_ns = None
            for node in car.bench.nodes:
                if isinstance(node, Cyclic):
                    node.end_ns = now_ns

    car.bench.run(asking.session, key_off)
    assert "key" in asking.session.ended_by
    last = car.bench.sent[-1][0]
    assert last < car.bench.now_ns
    assert car.bench.now_ns < 8 * S


def test_a_moving_vehicle_is_not_asked() -> None:
    car = Car()
    car.vehicle.speed_kmh = 6
    answers = car.asked()
    assert answers.ended_by.startswith("the vehicle is moving (6 km/h)")
    assert not any(request[0] in (0x03, 0x19, 0x22) for request in car.transmission.requests)


def test_a_vehicle_that_begins_to_move_is_left_alone() -> None:
    car = Car()
    asking = Asking(Questions())

    def drive(now_ns: int) -> None:
        if now_ns > 4 * S:
            car.vehicle.speed_kmh = 20

    car.bench.run(asking.session, drive)
    assert asking.session.ended_by.startswith("the vehicle is moving (20 km/h)")


def test_speed_from_the_vehicles_own_traffic_counts_too() -> None:
    car = Car()
    car.bench.nodes.append(Cyclic(0x1A0, 20 * MS, lambda t: bytes([60])))
    answers = car.asked(Questions(speed_of=lambda word, data: float(data[0]) if word == 0x1A0 else None))
    assert answers.ended_by.startswith("the vehicle is moving (60 km/h)")
    assert car.bench.sent == []


def test_another_scan_tool_ends_asking() -> None:
    car = Car()
    car.bench.nodes.append(Cyclic(0x7DF, 300 * MS, lambda t: b"\x02\x01\x0c\x55\x55\x55\x55\x55"))
    assert "another scan tool" in car.asked().ended_by
    assert car.bench.sent == []


@pytest.mark.parametrize("word", [0x7DF, 0x7E1, 0x7E6])
def test_an_identifier_that_carries_traffic_is_never_asked(word: int) -> None:
    car = Car()
    answers = car.asked(Questions(forbidden=frozenset({word})))
    assert word not in {sent for _, sent, _ in car.bench.sent}
    assert any("own traffic" in words for words in answers.notes)


def test_traffic_heard_while_listening_counts_as_well() -> None:
    car = Car()
    car.bench.nodes.append(Cyclic(0x7E6, 100 * MS, lambda t: b"\xfe\xdc\xba\x98\x76\x54\x32\x10"))
    answers = car.asked()
    assert 0x7E6 not in {sent for _, sent, _ in car.bench.sent}
    assert any("7E6" in words for words in answers.notes)


def test_a_module_at_an_address_of_its_own_is_asked_when_it_is_given() -> None:
    car = Car()
    radio = Module(0x5A0, 0x5A8, Memory(car.vehicle, fixed={0xC10400: 0x09}))
    car.bench.nodes.append(radio)
    assert "5A8" not in [one.answer for one in car.asked().modules]
    questions = Questions(addresses={0x5A8: 0x5A0}, names={"5A8": "radio"})
    answers = car.asked(questions)
    module = next(one for one in answers.modules if one.answer == "5A8")
    assert module.name == "radio"
    assert [code.text for code in module.codes] == ["U0104-00"]


def test_29_bit_modules_are_found_by_asking_all() -> None:
    vehicle = Vehicle()
    engine = Module(X | 0x18DA10F1, X | 0x18DAF110, Memory(vehicle), (X | 0x18DB33F1,), obd=True, vin="W" * 17)
    bench = Bench(engine)
    asking = Asking(Questions())
    bench.run(asking.session)
    (module,) = asking.answers("host", "now").modules
    assert (module.name, module.request, module.answer) == ("engine computer", "18DA10F1x", "18DAF110x")
    assert module.identification["VIN"] == "W" * 17


@pytest.mark.parametrize(
    ("form", "text"),
    [(0x00, "U0100-87"), (0x04, "U0100-87"), (0x01, "hex C10087"), (0x02, "hex C10087"), (0x03, "hex C10087")],
)
def test_codes_are_written_by_the_format_that_the_module_says(form: int, text: str) -> None:
    module = Module(0x7E2, 0x7EA, Memory(Vehicle(), fixed={0xC10087: 0x09}, form=form), (0x7DF,))
    bench, asking = Bench(module), Asking(Questions())
    bench.run(asking.session)
    (code,) = asking.answers("b", "n").modules[0].codes
    assert code.text == text
    assert bool(code.about) == (form in (0, 4))


def test_a_module_that_does_not_tell_its_format_has_hex_codes() -> None:
    class NoCount(Module):
        def _read_codes(self, request: bytes) -> bytes:
            return bytes([0x7F, 0x19, 0x12]) if request[1] == 0x01 else super()._read_codes(request)

    bench, asking = Bench(NoCount(0x7E2, 0x7EA, Memory(Vehicle(), fixed={0xC10087: 0x09}))), Asking(Questions())
    bench.run(asking.session)
    (module,) = asking.answers("b", "n").modules
    assert module.codes[0].text == "hex C10087"
    assert "does not say how" in module.codes[0].words
    assert any("refuses 19 01" in words for words in module.remarks)


def test_status_bits_that_the_module_does_not_keep_are_not_told() -> None:
    memory = Memory(Vehicle(), fixed={0x012345: 0xFF}, available=0x09)
    bench, asking = Bench(Module(0x7E2, 0x7EA, memory)), Asking(Questions())
    bench.run(asking.session)
    (code,) = asking.answers("b", "n").modules[0].codes
    assert code.status == ("failed now", "confirmed")


def test_a_module_lists_whom_it_can_miss() -> None:
    answers = Car().asked()
    assert next(one for one in answers.modules if one.answer == "7E9").watches == ("U0100-87", "U0401-83")


def test_nothing_is_cleared() -> None:
    car = Car(engine=False)
    car.asked()
    assert not car.transmission.cleared
    assert not car.cluster.cleared


def test_nobody_there_is_said() -> None:
    bench, asking = Bench(Cyclic(0x100, 10 * MS, lambda t: b"")), Asking(Questions())
    bench.run(asking.session)
    said = asking.answers("host", "now")
    assert said.modules == ()
    assert any("no module answered" in words for words in said.notes)


def test_answers_go_through_a_file_unchanged() -> None:
    answers = Car(engine=False).asked()
    assert answers_from(answers.to_dict()) == answers
    assert replace(answers, bus="other") != answers


class Odd(Server):
    """A server whose answers the test writes."""

    def __init__(self, answers: dict[bytes, list[tuple[int, bytes]]]) -> None:
        super().__init__(0x7E0, 0x7E8, (0x7DF,))
        self.answers = answers

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        if word in (0x7DF, 0x7E0) and data and data[0] >> 4 == 0:
            request = data[1 : 1 + data[0]]
            for wait_ns, frame in self.answers.get(request, []):
                self.plan(now_ns + wait_ns, 0x7E8, frame)


SUPPORTED = (20 * MS, b"\x06\x41\x00\x80\x00\x00\x00\x00")


@pytest.mark.parametrize(
    ("request_", "frames", "sentence"),
    [
        (b"\x03", [(20 * MS, b"\x04\x43\x07\x01\x28\0\0\0")], "announces 7 codes in service 03 and sends 1"),
        (b"\x03", [(20 * MS, b"\x01\x43")], "answers service 03 without a count"),
        (b"\x03", [(20 * MS, b"\x10\x0e\x43\x06\x01\x01\x01\x02")], "began a long answer and stopped half way"),
        (
            b"\x03",
            [(20 * MS, b"\x10\x0e\x43\x06\x01\x01\x01\x02"), (40 * MS, b"\x23\0\0\0\0\0\0\0")],
            "sends a broken answer",
        ),
        (b"\x03", [(340 * MS, b"\x02\x43\x00")], "answers late or to another question"),
        (b"\x03", [(20 * MS, b"\x02\x43\x00"), (30 * MS, b"\x02\x43\x00")], "answers one question twice"),
        (b"\x03", [(20 * MS, b"\x03\x7f\x03\x22")], "refuses 03: conditions not correct"),
        (b"\x19\x02\xaf", [(20 * MS, b"\x06\x59\x02\xff\xc1\x00\x87")], "answers 19 02 unreadably"),
        (b"\x19\x01\xaf", [(20 * MS, b"\x03\x59\x01\xff")], "answers 19 01 unreadably"),
        (b"\x19\x02\xaf", [(20 * MS, b"\x03\x7f\x19\x7f")], "refuses 19 02: service not in this session"),
        (b"\x22\xf1\x80", [(20 * MS, b"\x03\x62\xf1\x91")], "answers late or to another question"),
        (b"\x03", [(n * 10 * MS, b"\x10\xff\x43\x06\x01\x01\x01\x02") for n in range(9)], "begins long answers again"),
    ],
)
def test_each_odd_answer_gives_one_sentence(request_: bytes, frames: list[tuple[int, bytes]], sentence: str) -> None:
    usual = {
        b"\x01\x00": [SUPPORTED],
        b"\x19\x01\xaf": [(9 * MS, b"\x06\x59\x01\xff\0\0\1")],
        b"\x19\x02\xaf": [(9 * MS, b"\x03\x59\x02\xff")],
    }
    bench = Bench(Odd(usual | {request_: frames}))
    asking = Asking(Questions())
    bench.run(asking.session)
    assert asking.session.ended_by == "done"
    remarks = asking.answers("b", "n").modules[0].remarks
    assert [words for words in remarks if words.startswith(sentence)], remarks
    assert len(remarks) == len(set(remarks))


def test_pending_for_ever_is_given_up() -> None:
    pending = [(20 * MS + n * S, b"\x03\x7f\x19\x78") for n in range(200)]
    bench = Bench(Odd({b"\x01\x00": [SUPPORTED], b"\x19\x01\xaf": pending}))
    asking = Asking(Questions())
    bench.run(asking.session)
    assert asking.session.ended_by == "done"
    assert bench.now_ns < 60 * S


def test_an_answer_after_pending_counts() -> None:
    late = [(20 * MS, b"\x03\x7f\x19\x78"), (3 * S, b"\x03\x7f\x19\x78"), (7 * S, b"\x07\x59\x02\xff\xc1\x00\x87\x09")]
    count = [(20 * MS, b"\x06\x59\x01\xff\x00\x00\x01")]
    bench = Bench(Odd({b"\x01\x00": [SUPPORTED], b"\x19\x01\xaf": count, b"\x19\x02\xaf": late}))
    asking = Asking(Questions())
    bench.run(asking.session)
    (code,) = asking.answers("b", "n").modules[0].codes
    assert code.text == "U0100-87"


def test_a_busy_module_is_asked_again() -> None:
    class Busy(Module):
        left = 2

        def _read_codes(self, request: bytes) -> bytes:
            if self.left and request[1] == 0x02:
                self.left -= 1
                return b"\x7f\x19\x21"
            return super()._read_codes(request)

    bench, asking = Bench(Busy(0x7E2, 0x7EA, Memory(Vehicle(), fixed={0xC10087: 9}))), Asking(Questions())
    bench.run(asking.session)
    assert [code.text for code in asking.answers("b", "n").modules[0].codes] == ["U0100-87"]


def test_long_answers_of_several_modules_interleave() -> None:
    vehicle = Vehicle()
    modules = []
    for number in range(4):
        fixed = {(0x0100 + number * 16 + n) << 8: 0x08 for n in range(12)}
        modules.append(Module(0x7E0 + number, 0x7E8 + number, Memory(vehicle, fixed=fixed), (0x7DF,), obd=True))
    bench, asking = Bench(*modules), Asking(Questions())
    bench.run(asking.session)
    for number, module in enumerate(asking.answers("b", "n").modules):
        stored = [code.text for code in module.codes if code.service == "03"]
        assert stored == [f"P{0x0100 + number * 16 + n:04X}" for n in range(12)]
        assert module.remarks == ()


def test_what_was_not_checked_is_told() -> None:
    notes = " ".join(Car(engine=False).asked().notes)
    assert "no recording of this bus was given" in notes
    assert "speed" not in notes  # the transmission offers it by service 01
    car = Car(engine=False)
    car.transmission.obd = False
    notes = " ".join(car.asked(Questions(forbidden=frozenset({0x123}))).notes)
    assert "no vehicle speed was heard" in notes
    assert "no recording" not in notes
