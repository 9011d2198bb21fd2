"""Finding the bit rate: listen-only at each usual rate, the believable one wins, nothing is ever sent."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from swapbridge.bus.adapters import bitrate as bitrate_module
from swapbridge.bus.adapters.bitrate import USUAL_RATES, RateTry, find_bitrate
from swapbridge.bus.adapters.listen import ListeningLink
from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.core.errors import BusError, RefusedError


def test_the_usual_rates_span_the_trade() -> None:
    assert min(USUAL_RATES) == 33_333
    assert max(USUAL_RATES) == 1_000_000
    assert USUAL_RATES[0] == 500_000


def test_a_serial_adapter_on_a_125_kbit_bus(serial_adapter: Any) -> None:
    """The adapter hears frames only at S4 (125 kbit/s, the protocol's code); at others it says nothing."""
    stop = threading.Event()

    def traffic() -> None:
        while not stop.is_set():
            if serial_adapter.bitrate == "S4" and serial_adapter.mode == "L":
                serial_adapter.frame(0x123, b"\1\2")
            time.sleep(0.005)

    thread = threading.Thread(target=traffic)
    thread.start()
    said: list[str] = []
    spec = parse_bus(f"a=slcan:{serial_adapter.path},sleep_after_open=0")
    tries = find_bitrate(spec, seconds=0.2, progress=lambda share, words: said.append(words))
    stop.set()
    thread.join()
    assert [one.bitrate for one in tries] == [500_000, 250_000, 125_000]
    assert [one.believable for one in tries] == [False, False, True]
    assert said == ["500 kbit/s", "250 kbit/s", "125 kbit/s"]
    assert "O" not in serial_adapter.commands
    assert serial_adapter.sent == []


def test_rates_the_adapter_writes_rounded_or_does_not_know(serial_adapter: Any) -> None:
    spec = parse_bus(f"a=slcan:{serial_adapter.path},sleep_after_open=0")
    known, unknown = find_bitrate(spec, seconds=0.02, rates=(83_333, 33_333))
    assert known.problem == ""
    assert "Invalid bitrate" in unknown.problem
    assert not unknown.believable


def test_errors_make_a_rate_unbelievable() -> None:
    assert RateTry(500_000, 100, 2).believable
    assert not RateTry(500_000, 100, 50).believable
    assert not RateTry(500_000, 2, 0).believable


def test_an_adapter_that_may_send_is_not_used() -> None:
    with pytest.raises(RefusedError):
        find_bitrate(parse_bus("a=serial:/dev/null"), seconds=0.01)


def test_a_link_that_cant_be_set_says_how(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bitrate_module, "link_of", lambda channel: ListeningLink("can", True, False, 500_000, ""))
    with pytest.raises(BusError, match="sudo"):
        find_bitrate(parse_bus("a=socketcan:no-such-link0"), seconds=0.01)
