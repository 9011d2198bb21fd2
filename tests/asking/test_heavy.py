"""J1939: DM1 by listening, DM2 and identification by request, checked against the library `can-j1939`."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from j1939.diagnostic_messages import DTC, DtcLamp

from swapbridge.asking.ask import Asking, Questions
from swapbridge.asking.heavy import tool_name
from swapbridge.asking.module_answers import Answers
from swapbridge.core import j1939
from tests.asking.bench import Bench
from tests.asking.modules import MS, Cyclic, HeavyEngine, Node, S, X


def quad(spn: int, mode: int, count: int, conversion: int = 0) -> bytes:
    return bytes([spn & 0xFF, spn >> 8 & 0xFF, (spn >> 16 & 7) << 5 | mode, conversion << 7 | count])


def engine() -> HeavyEngine:
    active = [quad(110, 0, 3), quad(639, 9, 1), quad(1569, 31, 2, 1)]
    return HeavyEngine(0, active, [quad(190, 2, 9), quad(91, 3, 1), quad(524287, 19, 0x7F)], b"MAKER*MODEL*0001*")


def asked(*nodes: Node) -> tuple[Answers, Bench]:
    bench, asking = Bench(*nodes), Asking(Questions())
    bench.run(asking.session)
    return asking.answers("truck", "now"), bench


def test_long_dm1_is_heard_and_dm2_requested() -> None:
    node = engine()
    said, bench = asked(node, Cyclic(X | 0x0CF00400, 20 * MS, lambda t: b"\xff" * 8))
    (module,) = said.modules
    assert (module.name, module.protocol, module.lamps) == ("engine computer", "J1939", ("warning",))
    active = [code for code in module.codes if code.service == "DM1"]
    assert [code.text for code in active][:2] == ["SPN 110 FMI 0", "SPN 639 FMI 9"]
    assert active[1].about == "lost communication"
    assert "ambiguous" in active[2].words
    assert "1569" in active[2].text
    previous = [code.text for code in module.codes if code.service == "DM2"]
    assert previous == ["SPN 190 FMI 2", "SPN 91 FMI 3", "SPN 524287 FMI 19"]
    assert module.identification == {"component identification": "MAKER*MODEL*0001*"}
    assert any(words.startswith("does not answer: ") for words in module.remarks)
    assert not {0xFECC, 0xFED3} & set(node.requested)
    assert bench.sent[0][1] == X | 0x18EEFFF9
    assert bench.sent[1][0] - bench.sent[0][0] >= 250 * MS


def test_the_other_address_is_taken_when_a_tool_sits_on_the_first() -> None:
    def answer_claim(bench_now: int) -> bytes:
        return bytes(8)

    said, bench = asked(engine(), Cyclic(X | 0x18EEFFF9, 100 * MS, answer_claim))
    assert {word & 0xFF for _, word, _ in bench.sent} == {250}
    assert said.ended_by == "done"


def test_without_an_address_nothing_is_requested() -> None:
    others = [Cyclic(X | 0x18EEFF00 | n, 100 * MS, lambda t: bytes(8)) for n in (249, 250)]
    said, bench = asked(engine(), *others)
    assert bench.sent == []
    assert any("addresses of a service tool are in use" in words for words in said.notes)
    assert said.modules[0].codes


def test_an_address_that_is_lost_ends_asking() -> None:
    late = Cyclic(X | 0x18EEFFF9, S, lambda t: bytes(8), begin_ns=2_255 * MS)
    said, bench = asked(engine(), late)
    assert "another tool took our address" in said.ended_by
    assert bench.sent[-1][0] < 2_400 * MS


def test_a_vehicle_that_moves_by_j1939_speed_is_not_asked() -> None:
    speed = (256 * 12).to_bytes(2, "little")
    said, bench = asked(engine(), Cyclic(X | 0x18FEF100, 100 * MS, lambda t: b"\xff" + speed + b"\xff" * 5))
    assert said.ended_by.startswith("the vehicle is moving (12 km/h)")
    assert bench.sent == []


def test_speed_not_available_is_no_speed() -> None:
    said, _ = asked(engine(), Cyclic(X | 0x18FEF100, 100 * MS, lambda t: b"\xff" * 8))
    assert said.ended_by == "done"


def test_a_long_dm1_with_a_hole_is_one_sentence() -> None:
    class Torn(HeavyEngine):
        def plan(self, at_ns: int, word: int, data: bytes) -> None:
            if not (word == X | 0x1CEBFF00 and data[0] == 2):
                super().plan(at_ns, word, data)

    said, _ = asked(Torn(0, [quad(100 + n, 1, 1) for n in range(6)], [], b""))
    assert any("frame 2 of a long message is missing" in words for words in said.notes)


@given(st.integers(1, 0x7FFFF), st.integers(0, 31), st.integers(0, 126))
def test_codes_are_read_as_another_library_writes_them(spn: int, mode: int, count: int) -> None:
    other = DTC(spn=spn, fmi=mode, oc=count).dtc.to_bytes(4, "little")
    found = j1939.spn_code(other)
    assert (found.spns, found.mode, found.count) == ((spn,), mode, count)
    assert not found.ambiguous


@given(st.integers(0, 0xFFFFFFFF))
def test_codes_are_read_as_another_library_reads_them(number: int) -> None:
    found, other = j1939.spn_code(number.to_bytes(4, "little")), DTC(dtc=number)
    assert other.spn in found.spns
    assert (found.mode, other.cm) == (other.fmi, number >> 31)
    assert found.ambiguous == (len(found.spns) > 1)
    if not other.cm:
        assert found.spns == (other.spn,)


@pytest.mark.parametrize(
    ("name", "key"), [("protect", "pl"), ("warning", "awl"), ("stop", "rsl"), ("malfunction", "mil")]
)
def test_lamps_are_those_that_another_library_lights(name: str, key: str) -> None:
    data = bytes(DtcLamp().get_data({key: DtcLamp.ON})) + quad(110, 0, 1) + b"\xff\xff"
    found = j1939.read_faults(data)
    assert found is not None
    assert found.lamps == (name,)


@pytest.mark.parametrize(
    ("data", "codes"),
    [
        (b"\0\xff\0\0\0\0\xff\xff", 0),
        (b"\0\xff\xff\xff\xff\xff\xff\xff", 0),
        (b"\0\xff" + quad(110, 0, 1), 1),
        (b"\0\xff" + quad(110, 0, 1) * 3, 3),
        (b"\0\xff" + quad(110, 0, 1) + b"\xff", None),
        (b"\0\xff\0", None),
        (b"", None),
    ],
)
def test_lengths_that_fit_no_number_of_codes_are_not_read(data: bytes, codes: int | None) -> None:
    found = j1939.read_faults(data)
    assert (None if found is None else len(found.codes)) == codes


@given(st.lists(st.tuples(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.integers(0, 2000)), max_size=60))
def test_no_frame_breaks_the_assembler(frames: list[tuple[int, bytes, int]]) -> None:
    assembler, now = j1939.Assembler(249), 0
    for identifier, data, wait in frames:
        now += wait * MS
        group = assembler.take(X | identifier, data, now)
        assert group is None or group.number <= 0x3FFFF
        assembler.expire(now)


def test_our_name_loses_against_any_tool_that_is_not_free_to_move() -> None:
    ours = int.from_bytes(tool_name(0x1FFFFF), "little")
    assert ours >> 63 == 1
    assert ours >> 40 & 0xFF == 129
