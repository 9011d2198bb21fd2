"""DM1 heard while a translator runs: shown, and never asked for."""

from __future__ import annotations

import pytest

from swapbridge.bus.running.faults_heard import STALE_US, ReceivedFaults
from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT
from tests.asking.modules import MS, S
from tests.asking.test_heavy import engine


def test_a_long_dm1_is_shown_and_fades() -> None:
    heard, node = ReceivedFaults(), engine()
    for now in range(0, 2 * S, MS):
        for word, data in node.frames(now):
            heard.heard(1, word, data, now // 1000)
    (words,) = heard.lines(("donor", "host"), 2_000_000)
    assert words.startswith("host: address 0 says SPN 110 FMI 0, SPN 639 FMI 9, SPN ")
    assert words.endswith("(lamp on: warning)")
    assert heard.lines(("donor", "host"), 9_000_000) == ()


def test_an_engine_without_faults_says_nothing() -> None:
    heard, node = ReceivedFaults(), engine()
    node.active = []
    for now in range(0, 2 * S, MS):
        for word, data in node.frames(now):
            heard.heard(0, word, data, now // 1000)
    assert heard.lines(("donor",), 2_000_000) == ()


def test_what_is_no_dm1_of_29_bits_is_not_heard() -> None:
    """DM1's number (FECA) in a frame of 11 bits is private traffic; so is another group that holds the same bytes."""
    heard = ReceivedFaults()
    dm1 = bytes([0x04, 0xFF, 110, 0, 0, 1, 0xFF, 0xFF])
    heard.heard(0, 0x2CA, dm1, 1000)
    heard.heard(0, 0x18FECA00, dm1, 1000)
    heard.heard(0, 0x18FECB00 | EXTENDED_BIT, dm1, 1000)
    assert heard.lines(("donor",), 2000) == ()
    heard.heard(0, 0x18FECA00 | EXTENDED_BIT, dm1, 1000)
    assert heard.lines(("donor",), 2000) == ("donor: address 0 says SPN 110 FMI 0 (lamp on: warning)",)
    assert heard.lines(("donor",), 1000 + STALE_US) != ()
    assert heard.lines(("donor",), 1001 + STALE_US) == ()


@pytest.mark.parametrize(("group", "shown"), [(j1939.DM1, True), (j1939.DM1 - 1, False), (j1939.DM1 + 1, False)])
def test_only_a_long_message_of_dm1_holds_active_codes(group: int, shown: bool) -> None:
    """Broadcast in two packets, as in J1939-21: control byte 32, length, packets, group; then numbered data."""
    heard, codes = ReceivedFaults(), bytes([0x04, 0xFF, 110, 0, 0, 1, 110, 0, 9, 1])
    control = j1939.Identifier(7, j1939.TRANSPORT, 0).word
    data = j1939.Identifier(7, j1939.TRANSPORT_DATA, 0).word
    heard.heard(0, control, bytes([32, 10, 0, 2, 0xFF]) + group.to_bytes(3, "little"), 1000)
    heard.heard(0, data, bytes([1]) + codes[:7], 51_000)
    heard.heard(0, data, bytes([2]) + codes[7:] + b"\xff" * 4, 101_000)
    assert bool(heard.lines(("donor",), 110_000)) is shown
