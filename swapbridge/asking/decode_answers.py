"""Asking room: from whole answers to codes and identification, by `udsoncan`; every fault is one sentence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import udsoncan
from udsoncan.exceptions import InvalidResponseException, UnexpectedResponseException
from udsoncan.services import ReadDataByIdentifier, ReadDTCInformation

from swapbridge.asking.module_answers import CALLED, Code
from swapbridge.core import fault_codes, j1939
from swapbridge.core.errors import InputError

NEGATIVE = 0x7F
WHAT_FAILED = 0xAF
"""Status bits asked for: all except the two 'not tested', which every code has at first."""
FROM_MEMORY = "from memory of SAE J2012"
FROM_MEMORY_J1939 = "from memory of SAE J1939-73"
IDENTIFICATION = {
    0xF180: "boot software",
    0xF181: "application software",
    0xF182: "application data",
    0xF187: "spare part number",
    0xF188: "software number",
    0xF189: "software version",
    0xF18A: "system supplier",
    0xF18B: "manufacturing date",
    0xF18C: "serial number",
    0xF190: "VIN",
    0xF191: "hardware number",
    0xF192: "supplier's hardware number",
    0xF193: "supplier's hardware version",
    0xF194: "supplier's software number",
    0xF195: "supplier's software version",
    0xF197: "system name",
    0xF19E: "diagnostic description",
}
"""Data identifiers of ISO 14229-1 that are asked for, with what they hold."""

_REFUSALS = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "part of the service not supported",
    0x13: "wrong length or format",
    0x21: "busy",
    0x22: "conditions not correct",
    0x31: "out of range",
    0x33: "security access denied",
    0x78: "answer pending",
    0x7E: "not in this session",
    0x7F: "service not in this session",
}
_UNREADABLE = (InvalidResponseException, UnexpectedResponseException, ValueError, NotImplementedError, IndexError)
_J2012_FORMATS = (0x00, 0x04)
_J1939_FORMAT = 0x02


class Rest(udsoncan.DidCodec):
    """Takes whatever an identification holds."""

    def decode(self, did_payload: bytes) -> bytes:
        return bytes(did_payload)

    def __len__(self) -> int:
        raise udsoncan.DidCodec.ReadAllRemainingData


class BadAnswerError(Exception):
    """An answer that can't be read; the message says why, in words that follow the module's name."""


@dataclass(frozen=True, slots=True)
class Format:
    """What 19 01 said: how codes are written, how many there are, and which status bits the module keeps."""

    number: int
    codes: int
    available: int


def refusal(code: int) -> str:
    """A negative response code in words."""
    words = _REFUSALS.get(code)
    return f"{words} (code {code:02X})" if words else f"code {code:02X}"


def short_codes(service: int, answer: bytes, texts: dict[str, str]) -> tuple[Code, ...]:
    """Codes of service 03, 07 or 0A; these services say that they are written as SAE J2012 does."""
    name = f"{service:02X}"
    if len(answer) < 2:
        raise BadAnswerError(f"answers service {name} without a count")
    body = answer[2:]
    if len(body) < 2 * answer[1]:
        raise BadAnswerError(f"announces {answer[1]} codes in service {name} and sends {len(body) // 2}")
    numbers = [int.from_bytes(body[i : i + 2], "big") for i in range(0, 2 * answer[1], 2)]
    return tuple(_short(number, name, texts) for number in dict.fromkeys(numbers) if number)


def _short(number: int, service: str, texts: dict[str, str]) -> Code:
    kind, missed = fault_codes.about(number)
    words, source = _words(fault_codes.written(number), number, None, texts)
    return Code(fault_codes.written(number), service, (CALLED[service],), kind, missed, words, source)


def code_format(answer: bytes) -> Format:
    """Read the answer to 19 01."""
    data = _dtc_information(answer, ReadDTCInformation.Subfunction.reportNumberOfDTCByStatusMask)
    if data.dtc_format is None or data.status_availability is None:
        raise BadAnswerError("answers 19 01 without a format")
    return Format(int(data.dtc_format), int(data.dtc_count or 0), data.status_availability.get_byte_as_int())


def long_codes(answer: bytes, form: Format | None, texts: dict[str, str]) -> tuple[Code, ...]:
    """Codes with status of 19 02; `form` is what 19 01 said, None where it said nothing."""
    data = _dtc_information(answer, ReadDTCInformation.Subfunction.reportDTCByStatusMask)
    available = data.status_availability.get_byte_as_int() if data.status_availability is not None else 0xFF
    out = {}
    for one in data.dtcs:
        status = one.status.get_byte_as_int()
        if status & available & WHAT_FAILED:
            out[one.id] = _long(one.id, status, available, form, texts)
    return tuple(out.values())


def watched(answer: bytes, form: Format | None) -> tuple[str, ...]:
    """Codes of 19 0A that speak of the network: whom the module is able to miss."""
    data = _dtc_information(answer, ReadDTCInformation.Subfunction.reportSupportedDTCs)
    if form is None or form.number not in _J2012_FORMATS:
        return ()
    return tuple(
        dict.fromkeys(fault_codes.written_long(one.id) for one in data.dtcs if fault_codes.about(one.id >> 8)[0])
    )


def raw_number(text: str) -> int | None:
    """The three bytes behind a code of 19 02 as it was written; None for other codes."""
    if text.startswith("hex "):
        return int(text[4:], 16)
    body, separator, failure = text.partition("-")
    return fault_codes.read_code(body) << 8 | int(failure, 16) if separator else None


def with_extended(code: Code, content: str) -> Code:
    """The same code, with its extended data."""
    return replace(code, extended=content)


def extended_data(answer: bytes, number: int) -> str:
    """Extended data of 19 06 in hex; its layout is the maker's own."""
    if len(answer) < 6 or answer[:2] != b"\x59\x06" or int.from_bytes(answer[2:5], "big") != number:
        raise BadAnswerError("answers 19 06 for another code")
    return answer[6:].hex(" ")


def identification(answer: bytes, number: int) -> str:
    """What one identification holds, as text where it is text, else in hex."""
    response = udsoncan.Response.from_payload(answer)
    if not response.valid or not response.positive:
        raise BadAnswerError(f"answers 22 {number:04X} unreadably")
    try:
        found = ReadDataByIdentifier.interpret_response(response, [number], {number: Rest})
    except (*_UNREADABLE, udsoncan.exceptions.ConfigError) as error:
        raise BadAnswerError(f"answers 22 {number:04X} unreadably ({_short_reason(error)})") from None
    values = found.service_data.values
    if number not in values:
        raise BadAnswerError(f"answers 22 {number:04X} with another identification")
    return readable(values[number])


def vehicle_information(answer: bytes) -> str:
    """What an answer of service 09 holds, as text."""
    if len(answer) < 4:
        raise BadAnswerError("answers service 09 with nothing")
    return readable(answer[3:])


def readable(content: bytes) -> str:
    """Bytes as text where they are that, else in hex; control characters never reach a terminal."""
    text = content.strip(b"\x00\xff ").decode("latin-1")
    if text and all(" " <= character <= "~" for character in text):
        return text
    return content.hex(" ")


def spn_codes(service: str, found: j1939.Faults) -> tuple[Code, ...]:
    """Codes of DM1 or DM2."""
    out = []
    for one in found.codes:
        words = j1939.FAILURE_MODES.get(one.mode, "")
        if one.ambiguous:
            words += "; the conversion bit is set, so which number is meant is ambiguous"
        kind = {j1939.UPDATE_RATE: "lost communication", j1939.NETWORK_DATA: "invalid data"}.get(one.mode, "")
        count = () if one.count is None else (f"counted {one.count}",)
        out.append(Code(one.text, service, (CALLED[service], *count), kind, "", words, FROM_MEMORY_J1939))
    return tuple(out)


def read_texts(text: str, where: str) -> dict[str, str]:
    """A user's table of texts: a line ``P0128,Coolant thermostat`` each.

    Raises
    ------
    InputError
        A line is no code with a text.
    """
    out = {}
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        code, separator, words = line.partition(",")
        if not separator or not words.strip():
            raise InputError(f"{where}, line {number}: write a code and its text, like P0128,Coolant thermostat")
        try:
            fault_codes.read_code(code)
        except InputError as error:
            raise InputError(f"{where}, line {number}: {error}") from None
        out[code.strip().upper()] = words.strip().strip('"')
    return out


def _long(number: int, status: int, available: int, form: Format | None, texts: dict[str, str]) -> Code:
    words = fault_codes.status_words(status, available)
    if form is not None and form.number in _J2012_FORMATS:
        short, failure = number >> 8, number & 0xFF
        kind, missed = fault_codes.about(short)
        text = fault_codes.written_long(number)
        description, source = _words(text, short, failure, texts)
        return Code(text, "19 02", words, kind, missed, description, source)
    description = "the module does not say how its codes are written"
    if form is not None:
        description = f"the module uses its maker's own code format ({form.number})"
        if form.number == _J1939_FORMAT:
            one = j1939.spn_code(number.to_bytes(3, "big") + b"\0")
            description = f"{one.text} if it is written as in SAE J1939-73"
    return Code(f"hex {number:06X}", "19 02", words, words=description)


def _words(text: str, number: int, failure: int | None, texts: dict[str, str]) -> tuple[str, str]:
    for key in (text, fault_codes.written(number)):
        if key in texts:
            return texts[key], "from your table"
    own = fault_codes.text_of(number, failure)
    return own, FROM_MEMORY if own else ""


def _dtc_information(answer: bytes, subfunction: int) -> ReadDTCInformation.ResponseData:
    response = udsoncan.Response.from_payload(answer)
    if not response.valid or not response.positive:
        raise BadAnswerError(f"answers 19 {subfunction:02X} unreadably ({response.invalid_reason or 'negative'})")
    try:
        found = ReadDTCInformation.interpret_response(response, subfunction)
    except _UNREADABLE as error:
        raise BadAnswerError(f"answers 19 {subfunction:02X} unreadably ({_short_reason(error)})") from None
    if found.service_data.subfunction_echo != subfunction:
        raise BadAnswerError(f"answers 19 {subfunction:02X} with the answer to another request")
    return found.service_data


def _short_reason(error: Exception) -> str:
    return str(error).rsplit(" : ", 1)[-1].rstrip(".")
