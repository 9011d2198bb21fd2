"""What a person reads in names of maps, spelling by spelling: a table written by hand, not from the word lists."""

from __future__ import annotations

import pytest

from swapbridge.core.vocabulary import (
    is_nobody,
    is_reserved,
    means_not_available,
    sounds_like_checksum,
    sounds_like_counter,
)

CHOICES = [
    # spelling, no measurement at all, says that none is available
    ("Not available", True, True),
    ("NotAvailable", True, True),
    ("NOT_AVAILABLE", True, True),
    ("not-available", True, True),
    ("Not available 1", True, True),
    ("Not_Available_2", True, True),
    ("Signal not available", True, True),
    ("SNA", True, True),
    ("sna", True, True),
    ("SNA 1", True, True),
    ("SNA_2", True, True),
    ("n/a", True, True),
    ("N.A.", True, True),
    ("NA", True, True),
    ("signal no data", True, True),
    ("No Data", True, True),
    ("unknown1", True, True),
    ("Unknown", True, True),
    ("Signal unknown 3", True, True),
    ("NotDefined7", True, True),
    ("Undefined", True, True),
    ("not valid 4", True, True),
    ("Invalid", True, True),
    ("Signal invalid", True, True),
    ("SignalInvalid2", True, True),
    ("unavailable", True, True),
    ("Error", True, False),
    ("ERR", True, False),
    ("Err 2", True, False),
    ("Error 2", True, False),
    ("Fault", True, False),
    ("Failure", True, False),
    ("Sensor error", True, False),
    ("Error indicator", True, False),
    ("Parameter specific", True, False),
    ("Reserved", True, False),
    ("reserved_14", True, False),
    ("Init", True, False),
    ("Initialising", True, False),
    ("Not used", True, False),
    ("Unused", True, False),
    ("Not implemented", True, False),
    ("Signal error", True, False),
    # measured states: never reserved
    ("Off", False, False),
    ("On", False, False),
    ("Neutral", False, False),
    ("Naught", False, False),
    ("Na2", False, False),
    ("NA1", False, False),
    ("Erratic", False, False),
    ("No fault", False, False),
    ("No error", False, False),
    ("Valid", False, False),
    ("Available", False, False),
    ("Known", False, False),
    ("Used", False, False),
    ("Signal", False, False),
    ("Signal 1", False, False),
    ("Data", False, False),
    ("Initial climb", False, False),
    ("Reserve fuel", False, False),
    ("Drive", False, False),
    ("1", False, False),
    ("", False, False),
]


@pytest.mark.parametrize(("name", "reserved", "not_available"), CHOICES)
def test_choices(name: str, reserved: bool, not_available: bool) -> None:
    assert (is_reserved(name), means_not_available(name)) == (reserved, not_available)


SIGNALS = [
    # spelling, counter, checksum
    ("Counter", True, False),
    ("MsgCounter", True, False),
    ("EngCnt", True, False),
    ("ENG_CNT", True, False),
    ("AliveCounter_3", True, False),
    ("Alive", True, False),
    ("RollingCount", True, False),
    ("ROLLING_CNT_1A0", True, False),
    ("Eng_RC", True, False),
    ("SeqNo", True, False),
    ("Checksum", False, True),
    ("EngineChecksum", False, True),
    ("CHKSUM", False, True),
    ("CRC", False, True),
    ("ENG_CRC8", False, True),
    ("Crc_1", False, True),
    ("Chk", False, True),
    ("TqChk", False, True),
    ("EngSpd", False, False),
    ("CruiseControl", False, False),
    ("Accounting", False, False),
    ("Country", False, False),
    ("CounterTorque", True, False),
    ("Checked", False, False),
    ("Cresting", False, False),
    ("ArcRate", False, False),
]


@pytest.mark.parametrize(("name", "counter", "checksum"), SIGNALS)
def test_integrity_names(name: str, counter: bool, checksum: bool) -> None:
    assert (sounds_like_counter(name), sounds_like_checksum(name)) == (counter, checksum)


def test_placeholders_are_nobody() -> None:
    assert all(map(is_nobody, ("XXX", "Vector__XXX", "NXX", "Unknown", "xxx")))
    assert not any(map(is_nobody, ("ECM", "EBS", "XXL", "Nox", "ABS_XX")))
