"""`swapbridge map set` and what is behind it: one thing said, what is missing made, the rest as it was."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import crccheck
import pytest
from click.testing import CliRunner, Result

from swapbridge.cli.main import cli
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.demo.vehicle_maps import host_map
from swapbridge.signalmap.dbc_read import load_map, parse_map
from swapbridge.signalmap.dbc_write import encode_map, format_map, save_map
from swapbridge.signalmap.edit import MapChange, set_in_map
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["map", "set", *(str(w) for w in words)])


def refused(result: Result, *words: str) -> None:
    assert result.exit_code == 2, result.output
    for word in words:
        assert word in result.output


def test_a_message_made_from_nothing(tmp_path: Path) -> None:
    """Nobody types SG_ lines or JSON: a map, a message, its counter and its checksum from four calls."""
    out = tmp_path / "host.dbc"
    for words in (
        ["0C8", "--length", "8", "--period", "10", "--sender", "ECM", "--module-kind", "engine"],
        ["0C8.Alive", "--start", "48", "--bits", "4", "--counter", "0-14"],
        ["MSG_0C8.Check", "--start", "56", "--bits", "8", "--checksum", "crc8-j1850 with identifier"],
        ["0C8.Speed", "--start", "7", "--bits", "16", "--big-endian", "--scale", "0.25", "--unit", "rpm"],
        ["0C8.Speed", "--role", "engine_speed"],
        ["0C8.Speed", "--not-available", "0xFB00-0xFFFF", "--choice", "0=Stopped"],
        ["0C8.Speed", "--reference", "480 Nm"],
    ):
        result = call(*words, "--into", out)
        assert result.exit_code == 0, result.output
    loaded = load_map(out)
    (message,) = loaded.messages
    assert (message.name, message.period_ms, message.senders) == ("MSG_0C8", Fraction(10), ("ECM",))
    assert loaded.sender_kinds(message) == {"engine"}
    alive, check, speed = message.signals
    assert alive.counter == Counter(0, 14)
    payload = bytes(range(8))
    assert check.checksum is not None
    assert check.checksum.compute(payload) == crccheck.crc.Crc8SaeJ1850.calc(b"\x00\xc8" + payload[:7])
    assert (speed.layout, speed.scale, speed.unit) == (Layout(7, 16, "big_endian"), Fraction(1, 4), "rpm")
    assert speed.role == "Vehicle.Powertrain.CombustionEngine.Speed"
    assert speed.not_available == tuple(range(0xFB00, 0x10000))
    assert (dict(speed.choices), speed.reference) == ({0: "Stopped"}, "480 Nm")


def test_the_rest_of_the_map_stays_as_it_is() -> None:
    before = host_map()
    after = set_in_map(before, "EngineData.EngineSpeed", MapChange(constant="0x55")).signal_map
    lines = set(format_map(after).splitlines()) - set(format_map(before).splitlines())
    assert {line.split()[1] for line in lines} <= {'"SwapConstant"', "SG_"}
    assert parse_map(format_map(after)) == after


def test_none_takes_away() -> None:
    start = host_map()
    counter = next((m, s) for m in start.messages for s in m.signals if s.counter is not None)
    target = f"{counter[0].name}.{counter[1].name}"
    after = set_in_map(start, target, MapChange(counter="none", role="none", constant="3")).signal_map
    signal = after.message(counter[0].name).signal(counter[1].name)  # type: ignore[union-attr]
    assert signal is not None
    assert (signal.counter, signal.constant) == (None, 3)
    again = set_in_map(after, target, MapChange(constant="none")).signal_map
    assert again.message(counter[0].name).signal(counter[1].name).constant is None  # type: ignore[union-attr]


def test_a_signal_that_moves_takes_its_checksum_along() -> None:
    """A data-ID list is picked from by the counter; where the counter moves, the checksum follows it."""
    signal_map = SignalMap()
    for target, change in (
        ("100", MapChange(length=8)),
        ("100.Count", MapChange(start=0, bits=4, counter="0-15")),
        ("100.Check", MapChange(start=56, bits=8, checksum="crc8-2f with data ids 1,2,3,4")),
        ("100.Count", MapChange(start=8)),
        ("100.Check", MapChange(start=48)),
    ):
        signal_map = set_in_map(signal_map, target, change).signal_map
    check = signal_map.messages[0].signal("Check")
    assert check is not None
    assert check.checksum is not None
    assert check.checksum.counter == Layout(8, 4)
    assert check.checksum.layout == Layout(48, 8)


def test_what_is_said_must_hold_in_a_recording(tmp_path: Path) -> None:
    """A wrong family is told at once, and the map stays as it was."""
    path, log = tmp_path / "m.dbc", tmp_path / "drive.log"
    frames = []
    for k in range(60):
        data = bytes([k % 15, 0x5A, (7 * k) % 256, (k * k) % 256, 0, 0, 0])
        data += bytes([crccheck.crc.Crc8SaeJ1850.calc(data) ^ (k == 30)])
        frames.append(f"({k / 100:.6f}) can0 123#{data.hex().upper()}\n")
    log.write_text("".join(frames), encoding="ascii")
    place = ("--length", "8", "--start", "56", "--bits", "8", "--into", path, "--check", log)
    wrong = call("123.Check", "--checksum", "sum", *place)
    refused(wrong, "MSG_123 (123).Check: the checksum holds in ", "of 60 frames", "nothing was written")
    assert not path.exists()
    right = call("123.Check", "--checksum", "crc8-j1850", *place)
    assert right.exit_code == 0, right.output
    assert "the checksum holds in 59 of 60 frames" in right.output
    counter = call("123.Alive", "--counter", "0-14", "--start", "0", "--bits", "4", "--into", path, "--check", log)
    assert "the counter's step holds in 59 of 59 frames" in counter.output
    refused(call("123.Alive", "--counter", "0-15", "--into", path, "--check", log), "holds in 56 of 59 frames")
    fixed = call("123.Five", "--constant", "0x5A", "--start", "8", "--bits", "8", "--into", path, "--check", log)
    assert "always 90 holds in 60 of 60 frames" in fixed.output
    refused(call("123.Five", "--unit", "V", "--constant", "none", "--into", path, "--check", log), "has no counter")
    refused(call("124.A", *place), "no whole frame of MSG_124")
    refused(call("123", "--period", "10", "--into", path, "--check", log), "name a signal")


def test_a_checksum_in_two_places() -> None:
    signal_map = SignalMap()
    for target, change in (
        ("100", MapChange(length=8)),
        ("100.High", MapChange(start=60, bits=4)),
        ("100.Low", MapChange(start=0, bits=4, checksum="sum over 1-6 upper bits in High")),
        ("100.High", MapChange(start=56)),
    ):
        signal_map = set_in_map(signal_map, target, change).signal_map
    checksum = signal_map.messages[0].signals[1].checksum
    assert checksum is not None
    payload = bytearray(b"\0\x55\x11\x81\x04\x05\x06\0")
    checksum.insert(payload)
    total = sum(payload[1:7]) % 256
    assert (payload[0], payload[7]) == (total & 15, total >> 4)
    with pytest.raises(InputError, match="no signal 'Higher'"):
        set_in_map(signal_map, "100.Low", MapChange(checksum="sum upper bits in Higher"))


ONE = SignalMap((MapMessage("Alpha", 0x100, False, 8, (MapSignal("S", Layout(0, 8)), MapSignal("T", Layout(8, 8)))),))


@pytest.mark.parametrize(
    ("target", "change", "words"),
    [
        ("Beta.S", MapChange(unit="rpm"), "no message 'Beta'"),
        ("200", MapChange(), "give its number of bytes"),
        ("Alpha", MapChange(unit="rpm"), "name one of its signals"),
        ("Alpha.X", MapChange(unit="rpm"), "no signal 'X': add --start and --bits"),
        ("Alpha.X", MapChange(start=4, bits=8), "would share bits with S"),
        ("Alpha.S", MapChange(bits=9), "would share bits with T"),
        ("Alpha.S", MapChange(start=63, bits=8), "outside its 8 bytes"),
        ("Alpha.S", MapChange(counter="0-256"), "does not fit S"),
        ("Alpha.S", MapChange(counter="up"), "can't be read"),
        ("Alpha.S", MapChange(counter="0-3 by 9"), "can't go by 9"),
        ("Alpha.S", MapChange(constant="256"), "can't always be 256"),
        ("Alpha.S", MapChange(constant="abc"), "is not a raw value"),
        ("Alpha.S", MapChange(not_available="300"), "--not-available holds '300'"),
        ("Alpha.S", MapChange(role="engine_sped"), "near: "),
        ("Alpha.S", MapChange(checksum="crc9"), "Alpha .100., signal S: checksum 'crc9' is not known"),
        ("Alpha", MapChange(length=1), "its signal T needs more"),
        ("Alpha", MapChange(module_kind="engine"), "add --sender"),
        ("Alpha", MapChange(sender="two words"), "not allowed in a DBC"),
        ("Beta", MapChange(identifier=(0x100, False), length=8), "has the identifier of Alpha"),
    ],
)
def test_refusals(target: str, change: MapChange, words: str) -> None:
    with pytest.raises(InputError, match=words):
        set_in_map(ONE, target, change)


def test_a_refusal_leaves_the_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "m.dbc"
    save_map(ONE, path)
    refused(call("Alpha.S", "--counter", "0-999", "--into", path), "does not fit S")
    refused(call("Alpha.S", "--into", path), "nothing to set for Alpha.S")
    refused(call("Alpha.S", "--scale", "much", "--into", path), "not a decimal number")
    assert path.read_bytes() == encode_map(ONE)


def test_inside_a_swap_folder_the_map_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bridge.toml").touch()
    (tmp_path / "captures").mkdir()
    maps = tmp_path / "signal_maps"
    maps.mkdir()
    save_map(host_map(), maps / "host.dbc")
    save_map(ONE, maps / "donor.dbc")
    monkeypatch.chdir(tmp_path)
    assert call("Alpha.S", "--unit", "furlong").exit_code == 0
    assert load_map(maps / "donor.dbc").messages[0].signals[0].unit == "furlong"
    refused(call("Nobody.S", "--unit", "rpm"), "no map has a message 'Nobody'", "--into")
    monkeypatch.chdir(tmp_path.parent)
    refused(call("Alpha.S", "--unit", "rpm"), "name the map with --into")


def test_as_a_process(tmp_path: Path) -> None:
    path = tmp_path / "new.dbc"
    done = subprocess.run(
        [
            *(sys.executable, "-m", "swapbridge", "map", "set", "18FEF100x.Speed", "--length", "8"),
            *("--start", "8", "--bits", "16", "--unit", "flops", "--into", path),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert "message MSG_18FEF100x made" in done.stdout
    assert "unit 'flops' is not known" in done.stderr
    assert load_map(path).messages[0].extended


def test_network_management_is_said_in_the_map_and_taken_back(tmp_path: Path) -> None:
    out = tmp_path / "host.dbc"
    assert call("510", "--length", "8", "--network-management", "--into", out).exit_code == 0
    assert load_map(out).messages[0].evidence["network_management"] is True
    assert call("510", "--period", "100", "--into", out).exit_code == 0
    assert load_map(out).messages[0].evidence["network_management"] is True
    assert call("510", "--no-network-management", "--into", out).exit_code == 0
    assert "network_management" not in load_map(out).messages[0].evidence


def test_a_message_becomes_a_j1939_group_and_back() -> None:
    made = set_in_map(SignalMap(), "CF00400x.Speed", MapChange(length=8, start=24, bits=16, group=True)).signal_map
    speed = made.messages[0].signal("Speed")
    assert speed is not None
    assert made.messages[0].is_group
    assert 0xFFFF in speed.not_available
    assert 0xFE00 in speed.error_codes
    plain = set_in_map(made, "CF00400x.Speed", MapChange(not_available="none", error_codes="none")).signal_map
    again = parse_map(format_map(plain)).messages[0].signal("Speed")
    assert again is not None
    assert (again.not_available, again.error_codes) == ((), ())
    narrow = set_in_map(made, "CF00400x.Speed", MapChange(bits=8)).signal_map.messages[0].signal("Speed")
    assert narrow is not None
    assert narrow.not_available == (0xFF,)
    assert not set_in_map(made, "CF00400x", MapChange(group=False)).signal_map.messages[0].is_group
    with pytest.raises(InputError, match="has 11 bits"):
        set_in_map(SignalMap(), "100", MapChange(length=8, group=True))
