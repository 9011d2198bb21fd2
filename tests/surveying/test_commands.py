"""Command line: `survey`, `compare` and `convert`, as a user calls them."""

from __future__ import annotations

import csv
import gzip
import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import cantools
import pytest
from click.testing import CliRunner, Result

from swapbridge.cli.main import cli
from swapbridge.core.integrity import Crc

DBC = """VERSION ""

NS_ :

BS_:

BU_: ECU

BO_ 416 Engine: 8 ECU
 SG_ Speed : 7|16@0+ (0.25,0) [0|16000] "rpm" Vector__XXX
 SG_ Coolant : 16|8@1+ (1,-40) [-40|215] "degC" Vector__XXX
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two buses, 12 s; 1A0 every 10 ms, 2B0 every 100 ms on can0, CF00400x on can1, 7A0 only at the start."""
    lines = []
    for i in range(1200):
        lines.append((i * 10_000, f"can0 1A0#{3200 + i:04X}{40 + i // 100:02X}00000000{i % 16:02X}"))
        if i % 10 == 0:
            lines.append((i * 10_000 + 300, "can0 2B0#0102"))
        if i % 5 == 0:
            lines.append((i * 10_000 + 700, f"can1 0CF00400#00{i % 256:02X}0000FFFFFFFF"))
        if i < 3:
            lines.append((i * 10_000 + 900, "can0 7A0#57"))
    path = tmp_path_factory.mktemp("host") / "host.log"
    text = "".join(f"({1_700_000_000 + us // 1_000_000}.{us % 1_000_000:06d}) {rest}\n" for us, rest in lines)
    path.write_text(text + "bus off\n")
    return path


@pytest.fixture(scope="module")
def unplugged(host: Path) -> Path:
    path = host.with_name("unplugged.log")
    path.write_text("".join(line for line in host.read_text().splitlines(True) if " 1A0#" not in line))
    return path


def test_survey_shows_the_inventory(host: Path, tmp_path: Path) -> None:
    out = tmp_path / "survey.json"
    result = run("survey", host, "--bit-rate", "can1=250000", "--json", out, "--seconds")
    assert result.exit_code == 0, result.output
    for words in (
        "1A0",
        "2B0",
        "CF00400x",
        "1,200",
        "counter in byte 7 bits 3-0 (0 to 15)",
        "at 250,000 bit/s",
        "busiest second",
    ):
        assert words in result.output
    assert "Note: 1 line was not a frame and was left out, for example 'bus off'." in result.output
    assert max(map(len, result.stdout.splitlines()[1:])) <= 100
    data = json.loads(out.read_text())
    assert data["version"] == 1
    engine = next(one for one in data["identifiers"] if one["id"] == 0x1A0)
    assert (engine["frames"], engine["period_ms"], engine["sending"]) == (1200, 10.0, "cyclic")
    assert engine["live_mask"] == "1FFF1F000000000F"
    assert [bus["bit_rate"] for bus in data["buses"]] == [500_000, 250_000]


def test_compare_writes_what_vanished_as_needs(host: Path, unplugged: Path, tmp_path: Path) -> None:
    needs, out = tmp_path / "needs.toml", tmp_path / "c.json"
    result = run("compare", host, unplugged, "--needs", needs, "--needs-bus", "host", "--json", out)
    assert result.exit_code == 0, result.output
    assert "1 vanished, 0 appeared, 0 changed" in result.output
    assert max(map(len, result.stdout.splitlines()[2:])) <= 100
    assert 'id = "1A0"' in needs.read_text()
    assert "period_ms = 10\n" in needs.read_text()
    assert json.loads(out.read_text())["vanished"][0]["sure"] is True


def test_convert_and_back(host: Path, tmp_path: Path) -> None:
    parquet, back = tmp_path / "a.parquet", tmp_path / "b.log"
    first = run("convert", host, parquet)
    assert first.exit_code == 0, first.output
    assert "1,563 frames written" in first.output
    assert "'bus off'" in first.output
    assert run("convert", parquet, back).exit_code == 0
    assert back.read_text() + "bus off\n" == host.read_text()
    assert "1,563 frames" in run("survey", parquet).output


def test_convert_to_physical_values(host: Path, tmp_path: Path) -> None:
    """Equal to cantools, row by row; and the rows serve as a stimulus file."""
    dbc, out = tmp_path / "m.dbc", tmp_path / "v.csv"
    dbc.write_text(DBC)
    result = run("convert", host, out, "--map", dbc)
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(out.read_text().splitlines()))
    database = cantools.database.load_string(DBC, "dbc")
    assert isinstance(database, cantools.database.can.Database)
    message = database.get_message_by_name("Engine")
    frames = [line.split() for line in host.read_text().splitlines() if " 1A0#" in line]
    expected: list[Any] = [message.decode(bytes.fromhex(frame[2].split("#")[1])) for frame in frames]
    for signal, unit in (("Speed", "rpm"), ("Coolant", "degC")):
        mine = [row for row in rows if row["channel"] == f"Engine.{signal}"]
        assert [float(row["value"]) for row in mine] == [one[signal] for one in expected]
        assert [float(row["time_s"]) for row in mine] == [float(frame[0][1:-1]) for frame in frames]
        assert {row["unit"] for row in mine} == {unit}
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(times)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["survey", "{none}"], "name a file that exists"),
        (["survey", "{junk}"], "contains no readable frames"),
        (["survey", "{empty}"], "is empty: record again"),
        (["survey", "{host}", "--bit-rate", "fast"], "is not a bit rate"),
        (["survey", "{host}", "--json", "{nowhere}/s.json"], "can't write"),
        (["compare", "{host}", "{junk}"], "contains no readable frames"),
        (["compare", "{host}", "{host}", "--needs", "{nowhere}/n.toml"], "can't write"),
        (["survey", "{tmp}"], "is a directory"),
        (["survey", "{gzip}"], "contains no readable frames"),
        (["survey", "{long}"], "contains no readable frames"),
        (["convert", "{host}", "{tmp}/x.csv", "--map", "{junk}"], "is not a DBC file"),
        (["convert", "{host}", "{tmp}/x.csv", "--map", "{cut}"], "cut short"),
        (["convert", "{host}", "{host}"], "is the capture itself"),
        (["convert", "{host}", "{tmp}/x.xyz"], "the format of"),
        (["convert", "{junk}", "{tmp}/x.parquet"], "contains no readable frames"),
        (["convert", "{host}", "{tmp}/x.log", "--map", "{dbc}"], "give OUT the extension .csv"),
        (["convert", "{host}", "{tmp}/x.csv", "--map", "{other}"], "none of the map's messages is in the capture"),
    ],
)
def test_what_is_wrong_is_one_sentence_and_exit_2(host: Path, tmp_path: Path, arguments: list[str], words: str) -> None:
    (tmp_path / "junk.log").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "empty.log").write_bytes(b"")
    (tmp_path / "m.dbc").write_text(DBC)
    (tmp_path / "o.dbc").write_text(DBC.replace("416", "417"))
    (tmp_path / "junk.log.gz").write_bytes(gzip.compress(bytes(range(256)) * 20))
    (tmp_path / "long.log").write_bytes(b"a" * 1_000_000)
    (tmp_path / "cut.dbc").write_text(DBC[: DBC.index("[-40")])
    names = {
        "gzip": tmp_path / "junk.log.gz",
        "long": tmp_path / "long.log",
        "cut": tmp_path / "cut.dbc",
        "none": tmp_path / "none.log",
        "junk": tmp_path / "junk.log",
        "empty": tmp_path / "empty.log",
        "dbc": tmp_path / "m.dbc",
        "other": tmp_path / "o.dbc",
        "nowhere": tmp_path / "nowhere",
        "host": host,
        "tmp": tmp_path,
    }
    before = {path.name for path in tmp_path.iterdir()}
    result = run(*(argument.format(**names) for argument in arguments))
    assert result.exit_code == 2, result.output
    assert words in " ".join(result.output.split())
    assert {path.name for path in tmp_path.iterdir()} == before, "nothing half-written is left"


@pytest.mark.parametrize("command", ["survey", "compare", "convert"])
def test_help_explains_with_an_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert "Example:" in result.output
    assert f"swapbridge {command} " in result.output


def test_as_a_real_process(host: Path) -> None:
    """Tables on standard output 100 columns wide in a pipe, notes on standard error."""
    done = subprocess.run(
        [sys.executable, "-m", "swapbridge", "survey", str(host)], capture_output=True, text=True, check=True
    )
    assert "CF00400x" in done.stdout
    assert done.stderr == "Note: 1 line was not a frame and was left out, for example 'bus off'.\n"
    failed = subprocess.run(
        [sys.executable, "-m", "swapbridge", "survey", str(host.with_name("none.log"))],
        capture_output=True,
        check=False,
    )
    assert failed.returncode == 2


def test_survey_names_counters_and_checksums_as_guess_does(tmp_path: Path) -> None:
    """A CRC with a start value of its own and a counter short of the top, which no glance finds; and no false one."""
    crc = Crc(8, 0x2F, 0xFF, False, 0xFF, tuple(range(1, 8)), before=b"\x5a")
    lines = []
    for i in range(600):
        data = bytearray(
            [0, i % 15, *round(3000 + 900 * math.sin(i / 40)).to_bytes(2, "big"), 40 + i // 60, 0x12, i * i % 7, 0xFF]
        )
        data[0] = crc.value(bytes(data))
        lines.append(
            f"({i // 100}.{i % 100:02d}0000) can0 1A0#{data.hex()}\n({i // 100}.{i % 100:02d}0500) can0 2B0#01\n"
        )
    log, out = tmp_path / "a.log", tmp_path / "s.json"
    log.write_text("".join(lines))
    result = run("survey", log, "--json", out)
    assert result.exit_code == 0, result.output
    assert "counter in byte 1 bits 3-0 (0 to 14); checksum in byte 0" in result.output
    assert max(map(len, result.stdout.splitlines()[1:])) <= 100
    words = {one["id"]: one["hints"] for one in json.loads(out.read_text())["identifiers"]}
    assert words[0x1A0] == ["counter in byte 1 bits 3-0 (0 to 14)", "checksum in byte 0 (CRC-8 polynomial 0x2F)"]
    assert words[0x2B0] == []
    other = tmp_path / "b.log"
    other.write_text("".join(line for line in "".join(lines).splitlines(True) if " 1A0#" not in line))
    needs = tmp_path / "needs.toml"
    assert run("compare", log, other, "--needs", needs).exit_code == 0
    assert "checksum in byte 0 (CRC-8" in needs.read_text()


def test_one_frame_and_a_fuzzed_bus_are_told_as_they_are(tmp_path: Path) -> None:
    """One frame is no full bus; of very many identifiers the first are shown and the rest counted."""
    one, many = tmp_path / "one.log", tmp_path / "many.log"
    one.write_text("(1.000000) can0 123#11\n")
    text = run("survey", one).output
    assert "1 frame of 1 identifier" in text
    assert "100.0%" not in text
    many.write_text("".join(f"({i // 4000}.{i % 4000 * 250:06d}) can0 {i:08X}#11\n" for i in range(12_000)))
    result = run("survey", many)
    assert result.exit_code == 0, result.output
    assert "12,000 identifiers: no vehicle has that many" in result.output
    assert "The first 300 are shown" in result.output


def test_too_little_memory_is_said_and_exits_2(host: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("swapbridge.cli.screen.read_captures.read_capture", full)
    result = run("survey", host)
    assert result.exit_code == 2
    assert "needs more memory than there is" in result.output
