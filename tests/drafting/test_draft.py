"""A whole draft of two small vehicles: it compiles at once, and keeps its hands off what it must not make."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.integrity import Checksum, Counter, Sum
from swapbridge.core.layout import Layout
from swapbridge.core.needs import LICENSED, parse_needs
from swapbridge.drafting.draft import _message, draft
from swapbridge.drafting.draft_text import bridge_text, claims, draft_map, needs_text
from swapbridge.drafting.drafted import Drafted
from swapbridge.drafting.explain.kit import kit_for
from swapbridge.drafting.outlook import outlook
from swapbridge.drafting.recordings import open_swap
from swapbridge.drafting.swap_sources import Swap
from swapbridge.language.reading import load_bridge
from swapbridge.signalmap.dbc_write import save_map
from tests.drafting.rig import recordings


@pytest.fixture(scope="module")
def made() -> tuple[Swap, Drafted]:
    captures, tracks = recordings()
    swap, _ = open_swap(captures, tracks)
    return swap, draft(swap)


def field(drafted: Drafted, bus: str, identifier: int, bit: int) -> str:
    """How the field that holds a bit is made."""
    for m in drafted.messages:
        if (m.bus, m.message.key.identifier) == (bus, identifier):
            return next(f.how for f in m.fields if bit in f.layout.positions)
    raise AssertionError("no such message")


def test_it_compiles_at_once(made: tuple[Swap, Drafted], tmp_path: Path) -> None:
    swap, drafted = made
    (tmp_path / "signal_maps").mkdir()
    for bus in ("host", "donor"):
        save_map(draft_map(swap, bus, drafted), tmp_path / "signal_maps" / f"{bus}.dbc")
    (tmp_path / "bridge.toml").write_text(bridge_text(swap, drafted, "rig"))
    (tmp_path / "needs.toml").write_text(needs_text(swap, drafted))
    plan = compile_bridge(load_bridge(tmp_path / "bridge.toml")).plan
    assert {s.word for s in plan.sends} == {0x110, 0x320, 0x3F0, 0x400}


def test_the_maps_say_how_sure_each_drafted_signal_is(made: tuple[Swap, Drafted]) -> None:
    swap, drafted = made
    (message,) = (m for m in draft_map(swap, "host", drafted).messages if m.identifier == 0x320)
    said = {s.name: s.evidence for s in message.signals}
    (mine,) = (m for m in drafted.messages if m.bus == "host" and m.message.key.identifier == 0x320)
    for one in mine.fields:
        assert said[one.name] == {"confidence": pytest.approx(one.confidence, abs=1e-4), "how": one.how}
    (heard,) = (m for m in draft_map(swap, "donor", drafted).messages if m.identifier == 0x0A0)
    assert all(0 < float(s.evidence["confidence"]) <= 1 for s in heard.signals)


@pytest.mark.parametrize("part", ["counter", "checksum"])
def test_a_field_is_no_surer_than_the_check_of_its_message(made: tuple[Swap, Drafted], part: str) -> None:
    """Where two forms of a checksum fitted, every frame may be thrown away: 0.98 was claimed all the same."""
    swap, _ = made
    kit = kit_for(swap, "host")
    plain = swap.host.messages[0x320, False]
    counter = Counter(0, 15)
    doubtful = replace(plain, counter=(Layout(56, 4), counter, 0.998))
    if part == "counter":
        doubtful = replace(plain, counter=(Layout(56, 4), counter, 0.7))
    else:
        doubtful = replace(doubtful, checksum=(Checksum(Layout(48, 8), Sum(8, tuple(range(6)))), 0.7))
    sure = {f.name: f for f in _message(kit, plain, None).fields}
    assert max(f.confidence for f in sure.values()) > 0.9
    for one in _message(kit, doubtful, None).fields:
        assert one.confidence <= 0.7
        assert (part in one.words) is (sure[one.name].confidence > 0.7)


def test_a_field_is_no_surer_than_what_lies_beside_it(
    made: tuple[Swap, Drafted], monkeypatch: pytest.MonkeyPatch
) -> None:
    swap, _ = made
    limit = "swapbridge.drafting.draft.capped_by_neighbours"
    monkeypatch.setattr(limit, lambda _, fields: [replace(f, confidence=min(f.confidence, 0.5)) for f in fields])
    sent = _message(kit_for(swap, "host"), swap.host.messages[0x320, False], None)
    assert max(f.confidence for f in sent.fields) == 0.5


def test_fields_are_explained_by_their_kind(made: tuple[Swap, Drafted]) -> None:
    _, drafted = made
    assert field(drafted, "host", 0x110, 0) == "copy"
    assert field(drafted, "host", 0x110, 16) == "copy"
    assert field(drafted, "host", 0x320, 0) == "copy"
    assert field(drafted, "host", 0x320, 16) == "table"
    assert field(drafted, "host", 0x320, 8) in ("echo", "threshold")
    assert field(drafted, "donor", 0x400, 3) == "copy"
    assert field(drafted, "donor", 0x400, 9) == "copy"


def test_a_start_up_payload_that_changes_is_never_sent(made: tuple[Swap, Drafted]) -> None:
    _, drafted = made
    refused = {m.message.key.identifier for m in drafted.messages if m.refused}
    assert refused == {0x3F8}
    assert any("3F8" in line and "never sent" in line for line in outlook(drafted))
    assert all(c["id"] != 0x3F8 for c in claims(drafted)["signals"])


def test_that_somebody_licensed_saw_to_it_is_for_a_person_to_say(made: tuple[Swap, Drafted]) -> None:
    """A needs list that said so by itself would turn a start-up answer that nobody gives into one that is no matter."""
    text = needs_text(*made)
    assert 0x3F8 not in {n.word for n in parse_needs(text, "needs.toml")}
    stated = re.sub(r"^# (?=\[\[need\]\]|module|bus|id|how)", "", text, flags=re.MULTILINE)
    (need,) = (n for n in parse_needs(stated, "needs.toml") if n.word == 0x3F8)
    assert (need.bus, need.how) == ("host", LICENSED)


def test_every_bit_of_what_is_sent_is_accounted_for(made: tuple[Swap, Drafted]) -> None:
    swap, drafted = made
    for bus in ("host", "donor"):
        known = {m.identifier: m for m in draft_map(swap, bus, drafted).messages}
        for m in drafted.messages:
            if m.bus == bus and not m.refused:
                message = known[m.message.key.identifier]
                bits = [p for s in message.signals for p in s.layout.positions]
                assert len(set(bits)) == len(bits)
                still = message.recorded().fixed
                bits += [p for p in range(8 * message.length) if p not in bits and still[p >> 3] >> (p & 7) & 1]
                assert sorted(bits) == list(range(8 * message.length))


def test_when_messages_live(made: tuple[Swap, Drafted]) -> None:
    _, drafted = made
    life = {m.message.key.identifier: m.life for m in drafted.messages}
    assert (life[0x110].begin, life[0x110].period_ms, life[0x110].count) == ("key", 10, 0)
    assert (life[0x400].begin, life[0x400].period_ms) == ("bus", 100)
    assert life[0x3F0].count == 3
    assert drafted.times.after_run_ms == pytest.approx(950, abs=60), "never longer than the second that it was"


def test_an_unrelated_field_stays_open() -> None:
    noise = np.random.default_rng(4).integers(0, 64, 10_000).astype(float)
    captures, tracks = recordings({Layout(32, 6): lambda d, t: noise[np.arange(len(t)) // 60]})
    swap, _ = open_swap(captures, tracks)
    drafted = draft(swap)
    assert field(drafted, "host", 0x110, 32) == "open"
