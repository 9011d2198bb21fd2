"""`swapbridge dtc` at the command line: what it shows, keeps, compares and refuses."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import can
import pytest
from click.testing import CliRunner, Result

from swapbridge.asking.ask import Questions, ask, heard_words
from swapbridge.asking.module_answers import read_answers
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.cli.commands import dtc_cmd
from swapbridge.cli.main import cli
from swapbridge.core.errors import RefusedError
from swapbridge.core.identifier_words import EXTENDED_BIT
from tests.asking.car import ENGINE_DATA, Car, ask_simulated
from tests.asking.modules import MS, Cyclic, Memory, Module, Monitor, Node, Vehicle, X
from tests.asking.test_changes import NEEDS

BUS = "host=virtual:dtc-test"


def call(*words: str) -> Result:
    return CliRunner().invoke(cli, ["dtc", *words])


@pytest.fixture
def car(monkeypatch: pytest.MonkeyPatch) -> Callable[[Car], None]:
    """Puts a simulated car where the bus would be, in simulated time."""

    def put(one: Car) -> None:
        one.bench.idle(8.0)
        monkeypatch.setattr(dtc_cmd, "ask", ask_simulated(one))

    return put


def test_before_and_after_make_a_needs_list_say_more(car: Callable[[Car], None], tmp_path: Path) -> None:
    whole, unplugged, needs = tmp_path / "whole.json", tmp_path / "unplugged.json", tmp_path / "needs.toml"
    needs.write_text(NEEDS)
    words = ("--bus", BUS, "--name", "7EE=cluster", "--cautions-read")
    car(Car())
    first = call(*words, "--out", str(whole))
    assert first.exit_code == 0, first.output
    assert "no codes" in first.output
    assert "P0128-00" in first.output
    car(Car(engine=False))
    second = call(*words, "--out", str(unplugged))
    assert second.exit_code == 0, second.output
    assert "lost communication with engine computer" in second.output
    assert "Texts from memory of SAE J2012." in second.output
    both = call("--before", str(whole), "--after", str(unplugged), "--needs", str(needs))
    assert both.exit_code == 0, both.output
    assert "engine computer (7E8) answered before but not now" in both.output
    assert "reported missing or wrong by transmission, cluster" in both.output
    assert "2 needs" in both.output
    assert 'codes = ["U0100-87"]' in needs.read_text()
    assert read_answers(whole).bus == "host"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--after", "x.json"), "--after needs --before"),
        (("--needs", "x.toml"), "--needs needs --before"),
        (("--bus", BUS, "--address", "7A0"), "REQUEST:ANSWER"),
        (("--bus", BUS, "--address", "7A0:18DAF110x", "--cautions-read"), "both with 11 bits"),
        (("--bus", BUS, "--name", "7EE"), "ANSWER=NAME"),
        (("--bus", BUS, "--bus", "donor=virtual:other"), "name one bus: host, donor"),
        (("--bus", BUS, "--texts", "nowhere.csv"), "nowhere.csv can't be read"),
        (("--before", "nowhere.json", "--after", "x"), "nowhere.json does not exist"),
        (("--bus", BUS), "--cautions-read"),
    ],
)
def test_what_is_refused_is_one_sentence(words: tuple[str, ...], sentence: str) -> None:
    result = call(*words)
    assert result.exit_code == 2
    assert sentence in result.output


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"version": 2}', '{"version": 1, "modules": [1]}', "nonsense"])
def test_a_file_of_something_else_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(text)
    result = call("--before", str(path), "--after", str(path))
    assert result.exit_code == 2
    assert "swapbridge dtc --out" in result.output
    assert "Traceback" not in result.output


def test_a_moving_vehicle_is_refused_and_nothing_is_kept(car: Callable[[Car], None], tmp_path: Path) -> None:
    moving = Car()
    moving.vehicle.speed_kmh = 30
    car(moving)
    result = call("--bus", BUS, "--cautions-read", "--out", str(tmp_path / "x.json"))
    assert result.exit_code == 2
    assert "the vehicle is moving (30 km/h)" in result.output


def test_an_address_heard_as_traffic_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "host.log"
    log.write_text("".join(f"({n / 100:.6f}) can0 7A0#0102030405060708\n" for n in range(50)))
    result = call("--bus", BUS, "--address", "7A0:7A8", "--recording", str(log), "--cautions-read")
    assert result.exit_code == 2
    assert "7A0 carries the vehicle's own traffic" in result.output


def log_of(tmp_path: Path, *frames: str) -> Capture:
    path = tmp_path / "x.log"
    path.write_text("".join(f"({n / 100:.6f}) can0 {frame}\n" for n, frame in enumerate(frames)))
    return read_capture(path)


def test_a_scan_tools_own_frames_in_a_recording_are_no_traffic(tmp_path: Path) -> None:
    frames = (
        "7DF#02010C5555555555",
        "7E8#04410C0FA0AAAAAA",
        "7E0#3000005555555555",
        "123#00",
        "18DB33F1#0201005555555555",
    )
    assert heard_words([log_of(tmp_path, *frames)]) == {0x123}
    odd = ("7E0#FF00112233445566", "7E9#0000", "18DA10F1#0F55555555555555")
    assert heard_words([log_of(tmp_path, *odd)]) == {0x7E0, 0x7E9, EXTENDED_BIT | 0x18DA10F1}


def test_a_bus_with_a_translator_is_refused() -> None:
    spec = parse_bus("host=virtual:dtc-locked")
    with locked([spec]), pytest.raises(RefusedError, match="already in use"):
        ask(spec, Questions())


def live(nodes: list[Node], channel: str, stop: threading.Event) -> threading.Thread:
    """Simulated modules with the real clock on python-can's virtual bus."""
    bus = can.Bus(interface="virtual", channel=channel)
    begin = time.monotonic_ns()

    def go() -> None:
        with bus:
            while not stop.is_set():
                message = bus.recv(0.001)
                now = time.monotonic_ns() - begin
                if message is not None:
                    word = message.arbitration_id | (X if message.is_extended_id else 0)
                    for node in nodes:
                        node.hear(word, bytes(message.data), now)
                for node in nodes:
                    for word, data in list(node.frames(now)):
                        bus.send(can.Message(arbitration_id=word & ~X, is_extended_id=bool(word & X), data=data))

    thread = threading.Thread(target=go)
    thread.start()
    return thread


@pytest.mark.long  # mostly waits
def test_asking_on_a_bus_with_threads_and_a_clock(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("swapbridge.asking.heavy.LISTEN_NS", 200 * MS)
    vehicle = Vehicle()
    codes = {(0x9100 + n) << 8: 0x09 for n in range(20)}
    monitor = Monitor(0xC10087, ENGINE_DATA, 100 * MS, enable_ns=0)
    transmission = Module(0x7E1, 0x7E9, Memory(vehicle, [monitor], codes), (0x7DF,), obd=True)
    stop = threading.Event()
    thread = live([transmission, Cyclic(0x300, 20 * MS, lambda t: bytes(8))], "dtc-live", stop)
    try:
        result = call("--bus", "host=virtual:dtc-live", "--cautions-read", "--out", str(tmp_path / "out.json"))
    finally:
        stop.set()
        thread.join()
    assert result.exit_code == 0, result.output
    data = json.loads((tmp_path / "out.json").read_text())
    (module,) = data["modules"]
    found = [code["text"] for code in module["codes"] if code["service"] == "19 02"]
    assert found == [f"B1{n:03X}-00" for n in range(0x100, 0x114)] + ["U0100-87"]
    assert module["remarks"] == []


def test_a_key_press_ends_asking(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("swapbridge.asking.heavy.LISTEN_NS", 50 * MS)
    answers = ask(parse_bus("host=virtual:dtc-stop"), Questions(), stop=lambda: True)
    assert answers.ended_by == "stopped by the user"
