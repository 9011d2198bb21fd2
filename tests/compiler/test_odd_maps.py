"""Maps that say more than the language takes, or less than usual: refused by name, or used as the DBC means it."""

from __future__ import annotations

import dataclasses
import re

import pytest

from swapbridge.compiler.compile import CompileResult
from swapbridge.core.integrity import Checksum, FieldSum, Sum, Term
from swapbridge.core.layout import Layout, split_layout
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.compiler.kit import DONOR, HEAD, HOST, compile_text, signal


def with_message(signal_map: SignalMap, identifier: int, *signals: MapSignal) -> SignalMap:
    message = MapMessage("Odd", identifier, False, 8, signals)
    return dataclasses.replace(signal_map, messages=(*signal_map.messages, message))


ODD = """
[sources."donor.Odd"]
max_age_ms = 100
[[messages]]
send = "host.Odd"
period_ms = 10
sender_gone = true
rest = "zero"
[messages.signals]
"""


def odd(text: str, source: tuple[MapSignal, ...], target: tuple[MapSignal, ...]) -> CompileResult:
    return compile_text(HEAD + ODD + text, with_message(DONOR, 0x123, *source), with_message(HOST, 0x234, *target))


def refusal(text: str, source: tuple[MapSignal, ...], target: tuple[MapSignal, ...]) -> str:
    with pytest.raises(BridgeRefused) as caught:
        odd(text, source, target)
    return str(caught.value)


def test_an_unsigned_64_bit_signal_is_copied_or_refused() -> None:
    source = (signal("A", 0, 64),)
    message = refusal('B = { value = "donor.Odd.A / 2", role = "value", fallback = "0" }', source, (signal("B", 0, 8),))
    assert re.search(r"donor.Odd.A is an unsigned 64-bit signal, which can only be copied unchanged; name it", message)
    plan = odd('B = { value = "donor.Odd.A", role = "value", fallback = "0" }', source, (signal("B", 0, 64),)).plan
    translator = Translator(plan)
    translator.on_frame(0, 0x123, b"\xff" * 7 + b"\xfe", 0)
    assert translator.poll(0) == (1, 0x234, b"\xff" * 7 + b"\xfe")


def test_a_multiplexer_within_a_multiplexer_is_refused_by_name() -> None:
    source = (
        signal("Page", 0, 4, is_multiplexer=True),
        signal("Sub", 4, 4, is_multiplexer=True, mux_signal="Page", mux_values=(1,)),
        signal("Deep", 8, 8, mux_signal="Sub", mux_values=(2,)),
    )
    message = refusal('B = { value = "donor.Odd.Deep", role = "value", fallback = "0" }', source, (signal("B", 0, 8),))
    assert "signal Deep depends on a multiplexer inside a multiplexer; use a signal of the first level" in message
    message = refusal('Page = { value = "1", role = "value", fallback = "1" }', (signal("A", 0, 8),), source)
    assert "host.Odd.Deep depends on Sub, a multiplexer inside a multiplexer; such a message can't be sent" in message


def test_a_message_with_two_checksums_is_not_sent() -> None:
    target = (
        signal("B", 0, 8),
        signal("S1", 48, 8, checksum=Checksum(Layout(48, 8), Sum(8, (0,), 8, -1, -1))),
        signal("S2", 56, 8, checksum=Checksum(Layout(56, 8), Sum(8, (0, 6), 8, -1, -1))),
    )
    message = refusal('B = { value = "1", role = "value", fallback = "0" }', (signal("A", 0, 8),), target)
    assert "host.Odd has more than one checksum, and only one can be generated; leave the message to its own" in message


def test_a_checksum_in_two_places_is_made_whole() -> None:
    """A three-bit fold whose bits stand apart: Python, reference and C know it as one checksum."""
    method = FieldSum(3, (Term(Layout(0, 8)), Term(Layout(12, 7), 3)), register=8, fold=3, folds=1)
    layout = split_layout(Layout(9, 2), Layout(63, 1))
    target = (
        signal("B", 0, 8),
        signal("Low", 9, 2, checksum=Checksum(layout, method)),
        signal("High", 63, 1),
    )
    source = (signal("A", 0, 8),)
    copied = 'B = { value = "donor.Odd.A", role = "value", fallback = "0" }'
    translator = Translator(odd(copied, source, target).plan)
    for number, raw in enumerate((0, 1, 100, 255)):
        now = number * 10_000
        translator.on_frame(0, 0x123, bytes([raw] * 8), now)
        sent = next(s for s in iter(lambda: translator.poll(now), 0) if s is None or s.word == 0x234)  # noqa: B023
        assert sent is not None
        folded = ((raw & 7) + (raw >> 3 & 7) + (raw >> 6)) & 7
        assert sent.data[0] == raw
        assert (sent.data[1] >> 1 & 3) + 4 * (sent.data[7] >> 7) == folded
    written = refusal(copied + '\nHigh = { value = "1", role = "value", fallback = "0" }', source, target)
    assert "host.Odd.High holds bits of the checksum Low, which is always computed" in written


def test_a_range_of_0_to_0_is_no_range() -> None:
    # the DBC format's own convention for "not stated"
    text = 'VERSION ""\nBU_: ECM\nBO_ 564 Odd: 8 ECM\n SG_ B : 0|8@1+ (0.5,0) [0|0] "kPa" ECM\n'
    target = parse_map(text).messages[0].signals
    source = (signal("A", 0, 8, unit="kPa"),)
    value = 'B = {{ value = "clamp(donor.Odd.A, 0 kPa, {})", role = "oil_pressure", fallback = "0 kPa" }}'
    assert odd(value.format("127 kPa"), source, target).plan.sends
    assert "the signal from 0 to 127.5 kPa" in refusal(value.format("128 kPa"), source, target)


@pytest.mark.parametrize("step", ["0.5", "0.1", "0.03937"])
def test_clamps_in_psi_of_a_signal_in_kpa(step: str) -> None:
    """psi has an odd factor (NIST SP 811: 6.894757 kPa): a clamp of such limits stays within 64 bits."""
    source = (signal("A", 0, 16, scale="0.1", unit="kPa"),)
    target = (signal("B", 0, 12, scale=step, unit="psi", role="oil_pressure"),)
    made = odd('B = "clamp(donor.Odd.A, 0 psi, 126 psi)"', source, target)
    translator = Translator(made.plan)
    for number, raw in enumerate((0, 1000, 6894, 65535)):
        now = number * 10_000
        translator.on_frame(0, 0x123, raw.to_bytes(2, "little") + bytes(6), now)
        sent = next(s for s in iter(lambda: translator.poll(now), 0) if s is None or s.word == 0x234)  # noqa: B023
        assert sent is not None
        exact = min(raw / 10 / 6.894757, 126) / float(step)
        assert abs(int.from_bytes(sent.data[:2], "little") - exact) <= 0.51
