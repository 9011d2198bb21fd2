"""KCD, SYM and ARXML: as cantools understands them, with the numbers of the file's own text."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import cantools
import pytest
from cantools.database.can.formats.kcd import NAMESPACE
from click.testing import CliRunner

from swapbridge.cli.main import cli
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import SignalMap

KCD = """<?xml version="1.0" encoding="UTF-8"?>
<NetworkDefinition xmlns="@namespace@">
  <Document name="invented" version="1.0"/>
  <Node id="1" name="ECM"/><Node id="2" name="XXX"/>
  <Bus name="Powertrain">
    <Message id="0x0C8" length="8" name="Engine" interval="10">
      <Producer><NodeRef id="1"/></Producer>
      <Signal name="Speed" offset="7" length="16" endianess="big">
        <Value slope="0.1" intercept="-40.25" unit="1/min" min="0.0" max="6500.3"/>
      </Signal>
      <Signal name="Clash" offset="9" length="4"/>
      <Signal name="Outside" offset="62" length="4"/>
    </Message>
    <Message id="0x18FEF100" length="8" name="2nd" format="extended">
      <Producer><NodeRef id="2"/></Producer>
      <Signal name="Mode" offset="0" length="2">
        <LabelSet><Label name="Off" value="0"/><Label name="On" value="1"/></LabelSet>
      </Signal>
    </Message>
  </Bus>
</NetworkDefinition>
""".replace("@namespace@", NAMESPACE)
SYM = """FormatVersion=6.0 // Do not edit this line!
Title="invented"

{SENDRECEIVE}

[Engine]
ID=0C8h
Len=8
Var=Speed unsigned 0,16 /u:rpm /f:0.1 /o:-40.25
Var=Temp signed 16,8 /u:degC
"""


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_kcd(tmp_path: Path) -> None:
    loaded = load_map(written(tmp_path, "m.kcd", KCD))
    engine, second = loaded.messages
    assert (engine.name, engine.identifier, engine.period_ms, engine.senders) == (
        "Engine",
        0xC8,
        Fraction(10),
        ("ECM",),
    )
    (speed,) = engine.signals
    assert (speed.scale, speed.offset, speed.maximum) == (Fraction("0.1"), Fraction("-40.25"), Fraction("6500.3"))
    assert (second.name, second.extended, second.senders) == ("s_2nd", True, ())
    assert dict(second.signals[0].choices) == {0: "Off", 1: "On"}
    assert [n.name for n in loaded.nodes] == ["ECM"]
    notes = " / ".join(loaded.notes)
    assert "Clash shares bits with Speed: left out" in notes
    assert "Outside needs more than its 8 bytes" in notes


def test_sym_and_back_as_dbc(tmp_path: Path) -> None:
    path = written(tmp_path, "m.sym", SYM)
    loaded = load_map(path)
    database: Any = cantools.database.load_file(path)
    payload = bytes(range(0x81, 0x89))
    save_map(loaded, tmp_path / "m.dbc")
    again = load_map(tmp_path / "m.dbc")
    assert again == loaded
    theirs = database.decode_message("Engine", payload)
    for signal in again.messages[0].signals:
        assert float(signal.physical(signal.layout.unpack(payload))) == theirs[signal.name]
    assert again.messages[0].signals[1].layout == Layout(16, 8, signed=True)


def test_a_number_that_is_not_in_the_text_is_noted(tmp_path: Path) -> None:
    """SYM writes a scale of one third only as a decimal; a number that two decimals become is one of neither."""
    text = SYM.replace("/o:-40.25", "/o:0.10000000000000001")
    loaded = load_map(written(tmp_path, "m.sym", text))
    assert loaded.messages[0].signals[0].scale == Fraction("0.1")
    assert "scale 0.1 is not in the file itself: it went through a binary float" in loaded.notes[0]


@pytest.mark.parametrize("name", ["m.kcd", "m.sym", "m.arxml"])
@pytest.mark.parametrize("text", ["", "Dear mechanic", "<xml/>", "\x00"])
def test_what_is_none_is_one_clear_error(name: str, text: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_map(written(tmp_path, name, text))
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_maps_are_written_as_dbc_alone(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"name it m\.dbc"):
        save_map(SignalMap(), tmp_path / "m.kcd")
    assert list(tmp_path.iterdir()) == []


def test_the_command_says_what_was_left_out(tmp_path: Path) -> None:
    path = written(tmp_path, "m.kcd", KCD)
    shown = CliRunner().invoke(cli, ["map", "show", str(path)])
    assert shown.exit_code == 0
    assert "more (`swapbridge map show" in shown.stderr
    notes = CliRunner().invoke(cli, ["map", "show", str(path), "--notes"])
    assert len(notes.stdout.splitlines()) == len(load_map(path).notes) >= 3
    out = tmp_path / "m.dbc"
    assert CliRunner().invoke(cli, ["map", "export", str(path), "--out", str(out)]).exit_code == 0
    clean = CliRunner().invoke(cli, ["map", "show", str(out), "--notes"])
    assert "read without changes" in clean.stdout
