"""The dials: from the plan and maps as they are now, with ends, ticks and units, and states in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.write import write_capture
from swapbridge.page.dials import scale_ticks
from swapbridge.signalmap.dbc_write import save_map
from tests.proving.small_swap import BRIDGE, captures, maps

OpenPage = Callable[[Path], Any]


@pytest.fixture
def swap(tmp_path: Path) -> Path:
    (tmp_path / "captures").mkdir()
    for name, signal_map in maps().items():
        save_map(signal_map, tmp_path / f"{name}.dbc")
    (tmp_path / "bridge.toml").write_text(BRIDGE)
    record(tmp_path, captures(5.0))
    return tmp_path


def record(folder: Path, heard: dict[str, Capture]) -> None:
    """Both buses in one recording, in the order of time."""
    lines: list[str] = []
    for name, capture in heard.items():
        write_capture(capture, folder / f"{name}.log")
        lines += (folder / f"{name}.log").read_text().splitlines()
    (folder / "captures" / "donor.log").write_text("\n".join(sorted(lines)) + "\n")


def drive(here: Any) -> tuple[list[float], dict[str, dict[str, Any]]]:
    view = here.job("/api/bridge/dials", {"file": "donor.log"})
    return view["times"], {f"{d['message']}.{d['name']}": d for d in view["dials"]}


def test_every_dial_has_its_name_bus_unit_and_scale(swap: Path, open_page: OpenPage) -> None:
    """All of them read "undefined": the page asked for what the answer did not say."""
    times, dials = drive(open_page(swap))
    speed = dials["ENGINE_DATA.Speed"]
    assert (speed["bus"], speed["unit"]) == ("host", "rpm")
    shown = [v for v in speed["values"] if v is not None]
    assert speed["ticks"][0] <= min(shown) < max(shown) <= speed["ticks"][-1]
    assert len({round(b - a, 6) for a, b in zip(speed["ticks"], speed["ticks"][1:], strict=False)}) == 1
    assert [s["name"] for s in speed["sources"]] == ["donor.FAST.Speed"]
    assert len(speed["values"]) == len(speed["words"]) == len(times)
    assert set(dials["TEMPS.Lamp"]["words"]) & {"on", "off"}, "a flag is a word, not a needle"
    assert dials["TEMPS.Lamp"]["numeric"] is False


def test_a_map_that_changed_changes_the_dials(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    _, before = drive(here)
    text = (swap / "donor.dbc").read_text()
    assert "(0.125,0)" in text
    (swap / "donor.dbc").write_text(text.replace("(0.125,0)", "(0.0625,0)", 1))
    _, after = drive(here)
    old, new = (d["ENGINE_DATA.Speed"]["values"] for d in (before, after))
    pairs = [(a, b) for a, b in zip(old, new, strict=True) if a and b]
    assert pairs
    assert np.median([a / b for a, b in pairs]) == pytest.approx(2, rel=0.02)


def test_not_available_is_a_word_and_never_a_number(swap: Path, open_page: OpenPage) -> None:
    """Coolant 'not available' stood on the dial as 143.25 degC."""
    heard = captures(5.0)
    payload = heard["donor"].payload.copy()
    payload[heard["donor"].identifier == 0x291, 0] = 0xFF
    record(swap, {**heard, "donor": replace(heard["donor"], payload=payload)})
    _, dials = drive(open_page(swap))
    (source,) = dials["TEMPS.Coolant"]["sources"]
    assert set(source["values"]) == {None}
    assert "not available" in source["words"]
    host = dials["TEMPS.Coolant"]
    reserved = [n for n, word in enumerate(host["words"]) if word == "not available"]
    assert all(host["values"][n] is None for n in reserved)


@pytest.mark.parametrize(
    ("low", "high"), [(0, 1), (0, 7000), (-40, 215), (3, 3), (0, 0), (-5, -5), (0.001, 0.0042), (-1e6, 1e7)]
)
def test_ticks_are_round_and_hold_the_values(low: float, high: float) -> None:
    ticks = scale_ticks(low, high)
    assert 3 <= len(ticks) <= 10
    assert ticks == sorted(ticks)
    assert ticks[0] <= low <= high <= ticks[-1]


def test_an_identifier_of_11_bits_is_not_one_of_29(swap: Path, open_page: OpenPage) -> None:
    """Two messages of one number, one in either form: each dial shows its own."""
    host = maps()["host"]
    number = next(m.identifier for m in host.messages if m.name == "ENGINE_DATA")
    moved = [replace(m, identifier=number, extended=True) if m.name == "TEMPS" else m for m in host.messages]
    save_map(replace(host, messages=tuple(moved)), swap / "host.dbc")
    _, shown = drive(open_page(swap))
    assert {"ENGINE_DATA.Speed", "TEMPS.Lamp"} <= shown.keys()
    assert set(shown["TEMPS.Lamp"]["words"]) & {"on", "off"}
