"""DM1 heard while a translator runs: shown, and never asked for."""

from __future__ import annotations

from swapbridge.bus.running.faults_heard import FaultsHeard
from tests.asking.modules import MS, S
from tests.asking.test_heavy import engine


def test_a_long_dm1_is_shown_and_fades() -> None:
    heard, node = FaultsHeard(), engine()
    for now in range(0, 2 * S, MS):
        for word, data in node.frames(now):
            heard.heard(1, word, data, now // 1000)
    (words,) = heard.lines(("donor", "host"), 2_000_000)
    assert words.startswith("host: address 0 says SPN 110 FMI 0, SPN 639 FMI 9, SPN ")
    assert words.endswith("(lamp on: warning)")
    assert heard.lines(("donor", "host"), 9_000_000) == ()


def test_an_engine_without_faults_says_nothing() -> None:
    heard, node = FaultsHeard(), engine()
    node.active = []
    for now in range(0, 2 * S, MS):
        for word, data in node.frames(now):
            heard.heard(0, word, data, now // 1000)
    assert heard.lines(("donor",), 2_000_000) == ()
