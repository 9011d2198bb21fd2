"""Service 01 against an independent decoder, the standard's handbook values, and ISO 15765-2 against can-isotp."""

from __future__ import annotations

from fractions import Fraction

import isotp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core import obd as ours
from swapbridge.core.errors import InputError

# Values from SAE J1979 (from memory), computed by hand.
HANDBOOK = [
    ("41057B", "coolant_temp", 83, "degC"),
    ("410C1AF8", "engine_speed", 1726, "rpm"),
    ("410D64", "vehicle_speed", 100, "km/h"),
    ("410B65", "manifold_pressure", 101, "kPa"),
    ("4104FF", "engine_load", 100, "%"),
    ("411101", "throttle", Fraction(100, 255), "%"),
    ("410F28", "intake_temp", 0, "degC"),
    ("411001F4", "air_flow", 5, "g/s"),
    ("412FFF", "fuel_level", 100, "%"),
    ("41423039", "module_voltage", Fraction(12345, 1000), "V"),
    ("414614", "ambient_temp", -20, "degC"),
    ("4149FF", "pedal", 100, "%"),
    ("415C82", "oil_temp", 90, "degC"),
    ("41617D", "demanded_torque", 0, "%"),
    ("4162E1", "actual_torque", 100, "%"),
    ("4163012C", "reference_torque", 300, "Nm"),
]


@pytest.mark.parametrize(("message", "channel", "value", "unit"), HANDBOOK)
def test_handbook_values(message: str, channel: str, value: Fraction, unit: str) -> None:
    """Each answer decodes to the standard's value, exactly."""
    ((pid, got),) = ours.decode_answer(bytes.fromhex(message))
    assert (pid.channel, got, pid.unit) == (channel, value, unit)


def test_every_pid_agrees_with_the_library_obd() -> None:
    """An independent open-source decoder gives the same number for every PID that both know, over its raw values.

    To 1/1000: that library rounds the scale of the equivalence ratio to 0.0000305.
    """
    import obd
    from obd.protocols.protocol import Message

    compared = 0
    for number, pid in ours.PIDS.items():
        command = obd.commands[1][number] if number < len(obd.commands[1]) else None
        if command is None or number > 0x5C:
            continue
        for raw in (0, 1, 0x55, 0x80, 0xFE, 0xFF) if pid.length == 1 else (0, 1, 0x1234, 0x8000, 0xABCD, 0xFFFF):
            data = raw.to_bytes(pid.length, "big")
            message = Message([])
            message.data = bytearray(bytes([0x41, number]) + data)
            theirs = command.decode([message])
            number_theirs = float(getattr(theirs, "magnitude", theirs))
            assert number_theirs == pytest.approx(float(pid.value(data)), abs=1e-6, rel=1e-3), (command.name, raw)
        compared += 1
    assert compared >= 35


def test_lengths_agree_with_the_library_obd() -> None:
    """Answers with several PIDs are cut by lengths; that library states them too, two header bytes included."""
    import obd

    known = [c for c in obd.commands[1] if c is not None and c.bytes > 2 and c.pid <= 0x5C]
    assert [hex(c.pid) for c in known if c.pid not in ours.LENGTHS] == []
    wrong = {c.name: (c.bytes - 2, ours.LENGTHS[c.pid]) for c in known if c.bytes - 2 != ours.LENGTHS[c.pid]}
    assert len(known) > 60
    assert wrong == {}


def test_several_pids_in_one_answer() -> None:
    """An answer to a request with several PIDs is cut at each; a PID of unknown length ends the cutting."""
    message = bytes.fromhex("41 0C1AF8 0D64 057B")
    assert [(p.channel, float(v)) for p, v in ours.decode_answer(message)] == [
        ("engine_speed", 1726),
        ("vehicle_speed", 100),
        ("coolant_temp", 83),
    ]
    assert [pid for pid, _ in ours.split_answer(bytes.fromhex("41 0D64 F1 057B"))] == [0x0D]
    assert ours.decode_answer(bytes.fromhex("7F0112")) == []
    assert ours.decode_answer(b"") == []
    assert ours.decode_answer(bytes.fromhex("410C1A")) == []


def test_identifiers_follow_iso_15765_4() -> None:
    """Answer, request and flow control identifiers in both lengths (ISO 15765-4, from memory)."""
    assert ours.is_answer(0x7E8, False)
    assert ours.is_answer(0x7EF, False)
    assert ours.is_answer(0x18DAF110, True)
    assert not ours.is_answer(0x7E0, False)
    assert not ours.is_answer(0x7E8, True)
    assert ours.flow_control_identifier(0x7E8, False) == (0x7E0, False)
    assert ours.flow_control_identifier(0x18DAF110, True) == (0x18DA10F1, True)
    with pytest.raises(InputError, match="not an identifier"):
        ours.flow_control_identifier(0x123, False)


def test_requests_and_refusals() -> None:
    """A request is one padded single frame; what isn't a request is refused with words."""
    assert ours.request_payload(0x0C)[:3] == bytes([2, 1, 0x0C])
    assert ours.request_payload((0x0C, 0x0D))[:4] == bytes([3, 1, 0x0C, 0x0D])
    assert len(ours.request_payload(0x0C)) == 8
    for bad in ((), (1, 2, 3, 4, 5, 6, 7), (256,)):
        with pytest.raises(InputError, match="one to six PIDs"):
            ours.request_payload(bad)
    with pytest.raises(InputError, match="needs 2 bytes"):
        ours.PIDS[0x0C].value(b"\x01")


def test_supported_pids() -> None:
    """SAE J1979's own example mask style: BE 1F A8 13 names PIDs 01, 03..07, 0C..11, 13, 15, 1C, 1F, 20."""
    expected = (1, 3, 4, 5, 6, 7, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20)
    assert ours.supported(0, bytes.fromhex("BE1FA813")) == expected


def frames_by_can_isotp(message: bytes) -> list[bytes]:
    """Frames that the library can-isotp sends for a message, flow control granted at once."""
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)
    sent: list[bytes] = []
    waiting = [isotp.CanMessage(arbitration_id=0x7E0, data=bytes([0x30, 0, 0]), dlc=3, extended_id=False)]

    def receive(_timeout: float) -> isotp.CanMessage | None:
        return waiting.pop() if waiting and sent else None

    layer = isotp.TransportLayerLogic(rxfn=receive, txfn=lambda m: sent.append(bytes(m.data)), address=address)
    layer.send(message)
    for _ in range(2000):
        layer.process()
        if not layer.transmitting():
            break
    return sent


@given(st.binary(min_size=1, max_size=300))
def test_reassembly_of_what_can_isotp_sends(message: bytes) -> None:
    """Whatever that library cuts into frames comes together again, once and whole."""
    reassembly = ours.Reassembly()
    got = [m for m in map(reassembly.on_frame, frames_by_can_isotp(message)) if m is not None]
    assert got == [message]


def test_a_padded_single_frame_and_long_lengths() -> None:
    """ISO 15765-2: padding may be 00; a single frame of CAN FD has its length in byte 1, a first frame in bytes 2-5."""
    assert ours.Reassembly().on_frame(bytes.fromhex("03410D6400000000")) == bytes.fromhex("410D64")
    assert ours.Reassembly().on_frame(bytes.fromhex("0009") + bytes(range(10))) == bytes(range(9))
    message = bytes(n % 251 for n in range(5000))
    reassembly = ours.Reassembly()
    frames = [bytes.fromhex("100000001388") + message[:2]]
    frames += [bytes([0x20 | (k + 1) % 16]) + message[2 + 7 * k : 9 + 7 * k] for k in range(714)]
    assert [m for m in map(reassembly.on_frame, frames) if m is not None] == [message]


def test_reassembly_drops_what_is_out_of_sequence() -> None:
    """A missing consecutive frame drops the message; the next message is whole again."""
    frames = frames_by_can_isotp(bytes(range(30)))
    reassembly = ours.Reassembly()
    assert [reassembly.on_frame(f) for f in (frames[0], frames[2], *frames[3:])] == [None] * (len(frames) - 1)
    assert reassembly.on_frame(frames[1]) is None
    assert [m for m in map(reassembly.on_frame, frames) if m] == [bytes(range(30))]
    assert reassembly.on_frame(b"") is None
    assert reassembly.on_frame(bytes.fromhex("0741")) is None


@pytest.mark.parametrize(
    ("length", "numbers"),
    [
        (1, (0x13, 0x1C, 0x2C, 0x33)),
        (2, (0x14, 0x1B, 0x23, 0x3C, 0x54, 0x55, 0x58, 0x59)),
        (4, (0x24, 0x2B, 0x34, 0x3B)),
        (5, (0x64,)),
    ],
)
def test_how_long_each_parameter_is(length: int, numbers: tuple[int, ...]) -> None:
    """Bytes of oxygen sensors and trims, with what is beside them (SAE J1979, from memory)."""
    assert [ours.LENGTHS[number] for number in numbers] == [length] * len(numbers)
