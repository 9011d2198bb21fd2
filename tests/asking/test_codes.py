"""Codes as SAE J2012 writes them, checked against libraries that know nothing of this project."""

from __future__ import annotations

import contextlib

import pytest
import udsoncan
from hypothesis import given
from hypothesis import strategies as st
from udsoncan.services import ReadDTCInformation

from swapbridge.asking import decode_answers
from swapbridge.core import fault_codes
from swapbridge.core.errors import InputError

SAME = {
    "engine computer": "ECM/PCM",
    "transmission": ("TCM", "Transmission Control Module"),
    "gear shift module": "Gear Shift",
    "fuel injector module": "Fuel Injector",
    "glow plug module": "Glow Plug",
    "throttle actuator": "Throttle Actuator",
    "fuel pump module": "Fuel Pump",
    "drive motor module": "Drive Motor",
    "battery energy module": "Battery Energy",
    "four-wheel drive clutch": "Four-Wheel Drive Clutch",
    "engine computer B": "ECM/PCM B",
    "anti-lock brakes": "Anti-Lock Brake System",
    "stability control": "Vehicle Dynamics",
    "multi-axis acceleration sensor": "Multi-axis Acceleration Sensor",
    "tyre pressure monitor": "Tire Pressure Monitor",
    "body computer": "Body Control Module",
    "occupant sensing": "Occupant Sensing",
    "instrument cluster": "Instrument Panel",
    "information centre": "Information Center",
    "head-up display": "Head Up Display",
    "parking assist": "Parking Assist",
    "climate control": "HVAC",
    "rear climate control": "HVAC Control Module Rear",
    "auxiliary heater": "Auxiliary Heater",
    "immobiliser": "Immobilizer",
    "vehicle security": "Vehicle Security",
    "automatic lighting": "Automatic Lighting",
    "telematics": "Telematic",
    "cruise distance sensor": "Cruise Control Front Distance Range Sensor",
}
"""Our word for a module, and the table's where it is not the same but for capital letters."""


@pytest.mark.parametrize(("code", "name"), fault_codes.modules_named())
def test_missed_modules_are_those_of_the_published_table(code: int, name: str) -> None:
    """The table is the one that the library `obd` carries."""
    from obd.codes import DTC

    text = DTC[fault_codes.written(code)]
    kind, missed = fault_codes.about(code)
    assert missed == name
    start = "Lost Communication With" if kind == "lost communication" else "Invalid Data Received From"
    assert text.lower().startswith(start.lower())
    base, last = name[:-2], name[-1]
    words = SAME.get(name) or (SAME.get(base, base) if name[-2:-1] == " " else name)
    assert any(word.lower() in text.lower() for word in ((words,) if isinstance(words, str) else words)), (name, text)
    if name[-2:-1] == " ":
        assert text.replace("'", "").endswith(f" {last}")


@given(st.integers(1, 0xFFFF))
def test_codes_are_written_as_another_decoder_writes_them(code: int) -> None:
    from obd.decoders import parse_dtc

    expected = parse_dtc(code.to_bytes(2, "big"))
    assert expected is not None
    assert fault_codes.written(code) == expected[0].upper()
    assert fault_codes.read_code(fault_codes.written(code)) == code


def test_every_lost_communication_code_of_the_table_is_in_the_range() -> None:
    from obd.codes import DTC

    for text, words in DTC.items():
        if text.startswith("U0") and "Reserved" not in words:
            kind, _ = fault_codes.about(fault_codes.read_code(text))
            assert (kind == "lost communication") == words.lower().startswith("lost communication"), (text, words)
            assert (kind == "invalid data") == words.lower().startswith("invalid data"), (text, words)


@pytest.mark.parametrize("text", ["", "X0100", "P4000", "U01", "U0G00", "0100"])
def test_what_is_no_code_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="not a fault code"):
        fault_codes.read_code(text)


@given(st.integers(0, 255), st.integers(0, 255))
def test_status_bits_are_those_of_udsoncan(status: int, available: int) -> None:
    other = udsoncan.Dtc.Status.from_byte(status & available)
    expected = [
        other.test_failed,
        other.test_failed_this_operation_cycle,
        other.pending,
        other.confirmed,
        other.test_not_completed_since_last_clear,
        other.test_failed_since_last_clear,
        other.test_not_completed_this_operation_cycle,
        other.warning_indicator_requested,
    ]
    words = fault_codes.status_words(status, available)
    assert words == tuple(w for w, on in zip(fault_codes.STATUS_BITS, expected, strict=True) if on)


def test_an_answer_of_the_library_s_own_documentation() -> None:
    """udsoncan's own test vector of reportDTCByStatusMask: two codes, 0x123456 and 0x123457, with their status."""
    answer = bytes.fromhex("5902fb12345620123457 60".replace(" ", ""))
    codes = decode_answers.long_codes(answer, decode_answers.Format(0, 2, 0xFB), {})
    assert [code.text for code in codes] == ["P1234-56", "P1234-57"]
    assert codes[0].status == ("failed since cleared",)
    assert codes[1].status == ("failed since cleared", "not tested this cycle")


@given(st.lists(st.tuples(st.integers(1, 0xFFFFFF), st.integers(0, 255)), max_size=300, unique_by=lambda p: p[0]))
def test_no_code_is_lost_on_the_way(pairs: list[tuple[int, int]]) -> None:
    answer = b"\x59\x02\xff" + b"".join(n.to_bytes(3, "big") + bytes([s]) for n, s in pairs)
    codes = decode_answers.long_codes(answer, decode_answers.Format(0, len(pairs), 0xFF), {})
    wanted = [fault_codes.written_long(n) for n, s in pairs if s & decode_answers.WHAT_FAILED]
    assert [code.text for code in codes] == wanted


@given(st.binary(max_size=40))
def test_no_answer_breaks_the_reading(answer: bytes) -> None:
    for read in (
        lambda: decode_answers.long_codes(answer, None, {}),
        lambda: decode_answers.code_format(answer),
        lambda: decode_answers.watched(answer, decode_answers.Format(0, 0, 0)),
        lambda: decode_answers.short_codes(3, answer, {}),
        lambda: decode_answers.identification(answer, 0xF190),
        lambda: decode_answers.extended_data(answer, 0x123456),
        lambda: decode_answers.vehicle_information(answer),
    ):
        with contextlib.suppress(decode_answers.BadAnswerError):
            read()


def test_identification_is_text_or_hex_and_never_a_control_character() -> None:
    assert decode_answers.identification(b"\x62\xf1\x90" + b"ABC 123\0\0", 0xF190) == "ABC 123"
    assert decode_answers.identification(b"\x62\xf1\x8b\x20\x26\x01\x02", 0xF18B) == "20 26 01 02"
    assert decode_answers.readable(b"\x1b[2Jhello") == "1b 5b 32 4a 68 65 6c 6c 6f"


def test_requests_of_the_library_are_those_of_the_standard() -> None:
    function = ReadDTCInformation.Subfunction
    number = ReadDTCInformation.make_request(function.reportNumberOfDTCByStatusMask, status_mask=0xAF)
    assert bytes(number.get_payload()) == b"\x19\x01\xaf"


def test_a_users_table_gives_texts() -> None:
    texts = decode_answers.read_texts(
        "# my notes\nP0128,Coolant thermostat\nU0100-87, engine computer unplugged\n", "t.csv"
    )
    (code,) = decode_answers.short_codes(3, b"\x43\x01\x01\x28", texts)
    assert (code.words, code.source) == ("Coolant thermostat", "from your table")
    (long,) = decode_answers.long_codes(b"\x59\x02\xff\xc1\x00\x87\x09", decode_answers.Format(0, 1, 0xFF), texts)
    assert long.words == "engine computer unplugged"
    with pytest.raises(InputError, match=r"t.csv, line 2"):
        decode_answers.read_texts("P0128,good\nP0128\n", "t.csv")
    with pytest.raises(InputError, match=r"t.csv, line 1: .*not a fault code"):
        decode_answers.read_texts("XYZ,bad\n", "t.csv")


def test_bits_of_a_status_are_those_of_the_standard() -> None:
    """ISO 14229-1's status byte, as the library `udsoncan` reads it."""
    bits = {
        fault_codes.FAILED_NOW: "test_failed",
        fault_codes.FAILED_THIS_CYCLE: "test_failed_this_operation_cycle",
        fault_codes.PENDING: "pending",
        fault_codes.CONFIRMED: "confirmed",
    }
    for bit, name in bits.items():
        status = udsoncan.Dtc.Status.from_byte(bit)
        assert [one for one in bits.values() if getattr(status, one)] == [name]


def test_failure_types_of_bus_signals() -> None:
    """From memory of SAE J2012's digital annex: 81 to 88, each once."""
    words = ("serial", "counter", "checksum", "below", "above", "invalid", "missing", "bus off")
    assert list(fault_codes.FAILURE_TYPES) == list(range(0x81, 0x89))
    for text, word in zip(fault_codes.FAILURE_TYPES.values(), words, strict=True):
        assert word in text
