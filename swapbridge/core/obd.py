"""Core room: service 01 of SAE J1979 / ISO 15031-5 (current data): requests, answers, values.

A table of PIDs with exact scales, the identifiers that carry them (ISO 15765-4), and the receiving half of
ISO 15765-2 as a pure state machine, so that answers in a capture can be read. Nothing here sends.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from swapbridge.core import j1939
from swapbridge.core.errors import InputError

REQUEST_ALL = (0x7DF, False)
"""Functional request, 11 bits: every module that knows the PID answers."""
REQUEST_ENGINE = (0x7E0, False)
"""Physical request to the engine computer, 11 bits."""
REQUEST_ALL_29 = (0x18DB33F1, True)
"""Functional request, 29 bits."""
REQUEST_ENGINE_29 = (0x18DA10F1, True)
"""Physical request to the engine computer, 29 bits."""
ANSWER_ENGINE = (0x7E8, False)
ANSWER_ENGINE_29 = (0x18DAF110, True)
"""The engine computer's answers."""
_DIAGNOSTIC_11 = frozenset({0x7DF, *range(0x7E0, 0x7F0)})
_DIAGNOSTIC_FORMATS = frozenset({0xDA, 0xDB})


def diagnostic_use(identifier: int, extended: bool) -> str:
    """The diagnostic use of an identifier, or "": only a scan tool and the modules it asks send these.

    ISO 15765-4: 7DF, 7E0 to 7E7 and their answers 7E8 to 7EF; in 29 bits the formats DA (one module) and DB (all) at
    any priority. SAE J1939-73: DM3 and DM11 clear fault codes; SAE J1939-21: format EA asks for any of them. From
    memory of those standards; the identifiers of ISO 15765-4 are those `can-isotp` and `obd` use.
    """
    if not extended:
        return "a scan tool's requests and their answers" if identifier in _DIAGNOSTIC_11 else ""
    form = identifier >> 16 & 0x3FF
    if form in _DIAGNOSTIC_FORMATS:
        return "a scan tool's requests and their answers"
    group = identifier >> 8 & 0x3_FFFF
    if form << 8 == j1939.REQUEST:
        return "requests, which can ask a module to clear its fault codes"
    return f"{j1939.CLEARING[group]}, which clears fault codes" if group in j1939.CLEARING else ""


SERVICE = 0x01
ANSWER = 0x41
MAX_PIDS_PER_REQUEST = 6
PADDING = 0x55
"""Filler of request frames: alternating bits need no stuffing (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Pid:
    """One parameter of service 01: ``value = raw * scale + offset`` in `unit`.

    `raw` is the big-endian number in `width` of the answer's `length` bytes, beginning at byte `skip`.
    """

    number: int
    channel: str
    words: str
    unit: str
    length: int
    scale: Fraction
    offset: Fraction = Fraction(0)
    skip: int = 0
    width: int = 0

    def value(self, data: bytes) -> Fraction:
        """Exact physical value of an answer's data bytes.

        Raises
        ------
        InputError
            Fewer bytes than the PID has.
        """
        if len(data) < self.length:
            raise InputError(
                f"PID {self.number:02X} ({self.words}) needs {self.length} bytes, the answer has {len(data)}"
            )
        width = self.width or self.length
        return int.from_bytes(data[self.skip : self.skip + width], "big") * self.scale + self.offset


_PERCENT = Fraction(100, 255)
_TRIM = Fraction(100, 128)

_ROWS: tuple[tuple[int, str, str, str, int, Fraction | int, Fraction | int], ...] = (
    (0x04, "engine_load", "calculated engine load", "%", 1, _PERCENT, 0),
    (0x05, "coolant_temp", "engine coolant temperature", "degC", 1, 1, -40),
    (0x06, "short_fuel_trim_1", "short term fuel trim, bank 1", "%", 1, _TRIM, -100),
    (0x07, "long_fuel_trim_1", "long term fuel trim, bank 1", "%", 1, _TRIM, -100),
    (0x08, "short_fuel_trim_2", "short term fuel trim, bank 2", "%", 1, _TRIM, -100),
    (0x09, "long_fuel_trim_2", "long term fuel trim, bank 2", "%", 1, _TRIM, -100),
    (0x0A, "fuel_pressure", "fuel pressure (gauge)", "kPa", 1, 3, 0),
    (0x0B, "manifold_pressure", "intake manifold absolute pressure", "kPa", 1, 1, 0),
    (0x0C, "engine_speed", "engine speed", "rpm", 2, Fraction(1, 4), 0),
    (0x0D, "vehicle_speed", "vehicle speed", "km/h", 1, 1, 0),
    (0x0E, "timing_advance", "timing advance, cylinder 1", "deg", 1, Fraction(1, 2), -64),
    (0x0F, "intake_temp", "intake air temperature", "degC", 1, 1, -40),
    (0x10, "air_flow", "mass air flow", "g/s", 2, Fraction(1, 100), 0),
    (0x11, "throttle", "absolute throttle position", "%", 1, _PERCENT, 0),
    (0x1F, "run_time", "time since engine start", "s", 2, 1, 0),
    (0x21, "distance_with_lamp", "distance with malfunction lamp on", "km", 2, 1, 0),
    (0x22, "fuel_rail_vacuum_pressure", "fuel rail pressure relative to manifold", "kPa", 2, Fraction(79, 1000), 0),
    (0x23, "fuel_rail_pressure", "fuel rail pressure (gauge)", "kPa", 2, 10, 0),
    (0x2C, "egr_command", "commanded exhaust gas recirculation", "%", 1, _PERCENT, 0),
    (0x2D, "egr_error", "exhaust gas recirculation error", "%", 1, _TRIM, -100),
    (0x2E, "purge_command", "commanded evaporative purge", "%", 1, _PERCENT, 0),
    (0x2F, "fuel_level", "fuel level", "%", 1, _PERCENT, 0),
    (0x30, "warm_ups", "warm-ups since codes were cleared", "", 1, 1, 0),
    (0x31, "distance_since_clear", "distance since codes were cleared", "km", 2, 1, 0),
    (0x33, "barometric_pressure", "barometric pressure", "kPa", 1, 1, 0),
    (0x3C, "catalyst_temp_11", "catalyst temperature, bank 1 sensor 1", "degC", 2, Fraction(1, 10), -40),
    (0x3D, "catalyst_temp_21", "catalyst temperature, bank 2 sensor 1", "degC", 2, Fraction(1, 10), -40),
    (0x3E, "catalyst_temp_12", "catalyst temperature, bank 1 sensor 2", "degC", 2, Fraction(1, 10), -40),
    (0x3F, "catalyst_temp_22", "catalyst temperature, bank 2 sensor 2", "degC", 2, Fraction(1, 10), -40),
    (0x42, "module_voltage", "control module voltage", "V", 2, Fraction(1, 1000), 0),
    (0x43, "absolute_load", "absolute load", "%", 2, _PERCENT, 0),
    (0x44, "equivalence_ratio", "commanded equivalence ratio", "", 2, Fraction(2, 65536), 0),
    (0x45, "relative_throttle", "relative throttle position", "%", 1, _PERCENT, 0),
    (0x46, "ambient_temp", "ambient air temperature", "degC", 1, 1, -40),
    (0x47, "throttle_b", "absolute throttle position B", "%", 1, _PERCENT, 0),
    (0x48, "throttle_c", "absolute throttle position C", "%", 1, _PERCENT, 0),
    (0x49, "pedal", "accelerator pedal position D", "%", 1, _PERCENT, 0),
    (0x4A, "pedal_e", "accelerator pedal position E", "%", 1, _PERCENT, 0),
    (0x4B, "pedal_f", "accelerator pedal position F", "%", 1, _PERCENT, 0),
    (0x4C, "throttle_command", "commanded throttle actuator", "%", 1, _PERCENT, 0),
    (0x4D, "time_with_lamp", "time run with malfunction lamp on", "min", 2, 1, 0),
    (0x4E, "time_since_clear", "time since codes were cleared", "min", 2, 1, 0),
    (0x52, "ethanol", "ethanol in fuel", "%", 1, _PERCENT, 0),
    (0x59, "fuel_rail_absolute_pressure", "fuel rail absolute pressure", "kPa", 2, 10, 0),
    (0x5A, "relative_pedal", "relative accelerator pedal position", "%", 1, _PERCENT, 0),
    (0x5B, "hybrid_battery", "hybrid battery pack remaining life", "%", 1, _PERCENT, 0),
    (0x5C, "oil_temp", "engine oil temperature", "degC", 1, 1, -40),
    (0x5D, "injection_timing", "fuel injection timing", "deg", 2, Fraction(1, 128), -210),
    (0x5E, "fuel_rate", "engine fuel rate", "L/h", 2, Fraction(1, 20), 0),
    (0x61, "demanded_torque", "driver's demanded torque, percent of reference", "%", 1, 1, -125),
    (0x62, "actual_torque", "actual torque, percent of reference", "%", 1, 1, -125),
    (0x63, "reference_torque", "engine reference torque", "Nm", 2, 1, 0),
)

PIDS: dict[int, Pid] = {
    number: Pid(number, channel, words, unit, length, Fraction(scale), Fraction(offset))
    for number, channel, words, unit, length, scale, offset in _ROWS
}
"""Numeric PIDs by number, scales of SAE J1979 (from memory; the tests compare them with the library `obd` up to 5C)."""

_OTHER_LENGTHS = {
    **dict.fromkeys((0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0x01, 0x41, 0x4F, 0x50), 4),
    **dict.fromkeys((0x02, 0x03, *range(0x14, 0x1C), 0x32, 0x53, 0x54, *range(0x55, 0x59)), 2),
    **dict.fromkeys((0x12, 0x13, 0x1C, 0x1D, 0x1E, 0x51, 0x5F), 1),
    **dict.fromkeys((*range(0x24, 0x2C), *range(0x34, 0x3C)), 4),
    0x64: 5,
}

LENGTHS: dict[int, int] = {**_OTHER_LENGTHS, **{number: pid.length for number, pid in PIDS.items()}}
"""Data bytes of every PID whose length is known, numeric or not: an answer with several PIDs is cut by these."""

BY_CHANNEL: dict[str, Pid] = {pid.channel: pid for pid in PIDS.values()}
"""PIDs by our channel name."""


def request_payload(pids: int | tuple[int, ...]) -> bytes:
    """Eight payload bytes of a single-frame request for one to six PIDs.

    Raises
    ------
    InputError
        No PID, more than six, or not a byte.
    """
    wanted = (pids,) if isinstance(pids, int) else tuple(pids)
    if not 1 <= len(wanted) <= MAX_PIDS_PER_REQUEST or not all(0 <= pid <= 0xFF for pid in wanted):
        raise InputError(f"a request names one to six PIDs of one byte, not {list(wanted)}")
    return bytes([1 + len(wanted), SERVICE, *wanted]).ljust(8, bytes([PADDING]))


ANSWERS = {False: (0x7E8, 0x7EF), True: (0x18DA_F100, 0x18DA_F1FF)}
"""First and last identifier of a scan tool's answers, with 11 and with 29 bits (ISO 15765-4)."""


def is_answer(identifier: int, extended: bool) -> bool:
    """Whether a scan tool's answers come under this identifier."""
    first, last = ANSWERS[extended]
    return first <= identifier <= last


def flow_control_identifier(identifier: int, extended: bool) -> tuple[int, bool]:
    """Physical identifier to which flow control for an answering module goes.

    Raises
    ------
    InputError
        Not an identifier that answers come under.
    """
    if not is_answer(identifier, extended):
        raise InputError(f"0x{identifier:X} is not an identifier with which a module answers a scan tool")
    return (0x18DA_00F1 | (identifier & 0xFF) << 8, True) if extended else (identifier - 8, False)


def split_answer(message: bytes) -> list[tuple[int, bytes]]:
    """PIDs and their data bytes in one reassembled service 01 answer; empty for anything else.

    An answer to several PIDs is cut by `LENGTHS`; what follows a PID of unknown length can't be cut and is left out.
    """
    if len(message) < 2 or message[0] != ANSWER:
        return []
    out, at = [], 1
    while at < len(message):
        length = LENGTHS.get(message[at])
        if length is None or at + 1 + length > len(message):
            break
        out.append((message[at], message[at + 1 : at + 1 + length]))
        at += 1 + length
    return out


def decode_answer(message: bytes) -> list[tuple[Pid, Fraction]]:
    """Numeric PIDs and their exact values in one reassembled service 01 answer."""
    return [(PIDS[pid], PIDS[pid].value(data)) for pid, data in split_answer(message) if pid in PIDS]


def supported(first: int, data: bytes) -> tuple[int, ...]:
    """PIDs that an answer to PID 00, 20, 40, ... says a module supports (its four bytes, first bit first)."""
    bits = int.from_bytes(data[:4], "big")
    return tuple(first + 1 + k for k in range(32) if bits >> (31 - k) & 1)


class Reassembly:
    """Receiving half of ISO 15765-2 for one identifier: frames in, whole messages out.

    A pure state machine: no clock, no sending. A consecutive frame out of sequence drops the message, a new first or
    single frame begins afresh, as the standard says a receiver does.
    """

    __slots__ = ("_length", "_next", "_parts")

    def __init__(self) -> None:
        self._parts, self._length, self._next = bytearray(), 0, 0

    def on_frame(self, payload: bytes) -> bytes | None:
        """Take one frame's payload; return a message when that frame completes one."""
        if not payload:
            return None
        kind = payload[0] >> 4
        if kind == 0:
            self._length = 0
            size, begin = (payload[0] & 15, 1) if payload[0] & 15 else (payload[1] if len(payload) > 8 else 0, 2)
            return payload[begin : begin + size] if 0 < size <= len(payload) - begin else None
        if kind == 1 and len(payload) >= 8:
            size, begin = (payload[0] & 15) << 8 | payload[1], 2
            if size == 0:
                size, begin = int.from_bytes(payload[2:6], "big"), 6
            self._parts, self._length, self._next = bytearray(payload[begin:]), size, 1
            return None
        if kind == 2 and self._length:
            if payload[0] & 15 != self._next:
                self._length = 0
                return None
            self._parts += payload[1:]
            self._next = (self._next + 1) & 15
            if len(self._parts) >= self._length:
                message, self._length = bytes(self._parts[: self._length]), 0
                return message
        return None
