"""`swapbridge record`: what the person sees, what is refused, and how it ends."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import can
import pytest
from click.testing import CliRunner
from rich.console import Console

from swapbridge.bus.adapters.health import Health
from swapbridge.bus.recording.record import Press, RecordStatus
from swapbridge.bus.recording.recorder import BusReport
from swapbridge.bus.recording.script import ScriptRun, load_script
from swapbridge.capture.read import read_capture
from swapbridge.cli.main import cli
from swapbridge.cli.screen.live_screen import clock, record_screen
from swapbridge.cli.screen.terminal import SENTENCE, Keyboard


def invoke(*arguments: str, text: str | None = None) -> Any:
    return CliRunner().invoke(cli, list(arguments), input=text)


def traffic(channel: str, stop: threading.Event) -> threading.Thread:
    def send() -> None:
        with can.Bus(interface="virtual", channel=channel, ignore_config=True) as bus:
            while not stop.is_set():
                bus.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\1\2"))
                time.sleep(0.01)

    thread = threading.Thread(target=send)
    thread.start()
    return thread


def test_a_recording(channel: str, tmp_path: Path) -> None:
    stop = threading.Event()
    thread = traffic(channel, stop)
    out = tmp_path / "a.log"
    result = invoke("record", str(out), "--bus", f"donor=virtual:{channel},bitrate=500000", "--seconds", "0.6")
    stop.set()
    thread.join()
    assert result.exit_code == 0, result.output
    assert "listening only" in result.output
    assert "time over" in result.output
    assert f"next: swapbridge survey {out}" in result.output.replace("\n", "")
    assert len(read_capture(out)) > 20
    assert read_capture(out).bus_names == ("donor",)


def test_a_config_file_names_the_buses(channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("buses.toml").write_text(f'[buses.host]\ninterface = "virtual"\nchannel = "{channel}"\n')
    result = invoke("record", "captures/a.log", "--seconds", "0.2")
    assert result.exit_code == 0, result.output
    assert "no frame was heard" in result.output
    assert "60 ohm" in result.output
    result = invoke("record", "captures/a.log", "--seconds", "0.2", "--bus", f"donor=virtual:{channel}-2")
    assert "donor" in result.output
    other = tmp_path / "mine.toml"
    other.write_text(f'[buses.body]\ninterface = "virtual"\nchannel = "{channel}"\n')
    result = invoke("record", "captures/a.log", "--seconds", "0.2", "--config", str(other))
    assert "body" in result.output
    assert sorted(path.name for path in Path("captures").iterdir()) == ["a-2.log", "a-3.log", "a.log"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["a.log"], "no bus is given"),
        (["a.log", "--bus", "x"], "has no name"),
        (["--bus", "a=virtual:1"], "name the file"),
        (["a.asc", "--bus", "a=virtual:1"], "extension .log"),
        (["a.log", "--bus", "a=serial:/dev/null"], "--active"),
        (["a.log", "--bus", "a=virtual:1", "--scan-tool", "a"], "sends requests"),
        (["a.log", "--bus", "a=virtual:1", "--script", "none.toml"], "does not exist"),
        (["a.log", "--bus", "a=virtual:1", "--config", "none.toml"], "does not exist"),
        (["a.log", "--bus", "a=virtual:1", "--active"], "--cautions-read"),
        (["a.log", "--bus", "a=nonsense:1", "--active", "--cautions-read"], "not supported"),
        (["a.log", "--find-bitrate", "--bus", "a=serial:/dev/null"], "no way to open"),
    ],
)
def test_bad_calls_say_one_thing_and_leave_nothing(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = invoke("record", *arguments)
    assert result.exit_code == 2
    assert says in result.output
    assert "Traceback" not in result.output
    assert list(tmp_path.iterdir()) == []


def test_the_cautions_come_before_asking(channel: str, tmp_path: Path) -> None:
    arguments = ["record", str(tmp_path / "a.log"), "--bus", f"a=virtual:{channel}", "--seconds", "0.2", "--active"]
    refused = invoke(*arguments)
    assert "Listen before you talk" in refused.output
    assert "The driver never operates the laptop" in refused.output
    assert refused.exit_code == 2
    assert invoke(*arguments, "--cautions-read").exit_code == 0
    assert SENTENCE


def test_a_script_is_found(channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    bus = ["--bus", f"a=virtual:{channel}", "--seconds", "0.2"]
    assert invoke("record", "a.log", "--script", *bus).exit_code == 0
    Path("stimulus_script.toml").write_text("[[step")
    assert "not TOML" in invoke("record", "a.log", "--script", *bus).output
    assert invoke("record", "a.log", "--script", "built-in", *bus).exit_code == 0


def test_the_bit_rate_is_found(serial_adapter: Any) -> None:
    stop = threading.Event()

    def send() -> None:
        while not stop.is_set():
            if serial_adapter.bitrate == "S6" and serial_adapter.mode == "L":
                serial_adapter.frame(0x123, b"\1")
            time.sleep(0.01)

    thread = threading.Thread(target=send)
    thread.start()
    result = invoke("record", "--find-bitrate", "--bus", f"a=slcan:{serial_adapter.path},sleep_after_open=0")
    stop.set()
    thread.join()
    assert result.exit_code == 0, result.output
    assert "500" in result.output
    assert "fits" in result.output


def drawn(status: RecordStatus, note: str | None = None) -> list[str]:
    """What stands on a terminal 60 columns wide."""
    console = Console(width=60, force_terminal=False, color_system=None)
    with console.capture() as caught:
        console.print(record_screen(status, note))
    return caught.get().splitlines()


def status_of(run: ScriptRun, now: int, warning: str = "") -> RecordStatus:
    health = Health(1204.0, 0.41, 0.0, 38, warning)
    buses = {name: BusReport(1000, 0, 0, 0, 0, 0) for name in ("donor", "host")}
    return RecordStatus(83.0, (Path("captures/a.log"),), dict.fromkeys(buses, health), buses, run.view(now), "", ())


def test_every_step_fits_a_phone() -> None:
    """Sixty columns, at most 24 lines, and the instruction is there whole (wrapped, never cut)."""
    for step in load_script(None):
        run = ScriptRun((step,))
        ready = drawn(status_of(run, 0, "no traffic: check the ignition"))
        assert step.say in " ".join(" ".join(ready).split())
        assert step.caution in " ".join(" ".join(ready).split())
        run.key("next", 0)
        doing = drawn(status_of(run, 1, "no traffic: check the ignition"))
        assert any("###" in line for line in doing)
        for lines in (ready, doing):
            assert max(map(len, lines)) <= 60
            assert len(lines) <= 24


def test_what_the_screen_says() -> None:
    run = ScriptRun(load_script(None))
    text = "\n".join(drawn(status_of(run, 0), note="rough idle"))
    assert "REC 0:01:23  a.log  lost 0" in text
    assert "1,204 frames/s, 41 % load, 38 ids" in text
    assert "step 1 of 14" in text
    assert "note: rough idle_" in text
    assert clock(3723) == "1:02:03"


def test_keys_and_notes() -> None:
    keyboard = Keyboard()
    assert keyboard.feed("\n r s q x") == [
        Press("next"), Press("mark"), Press("repeat"), Press("mark"), Press("skip"), Press("mark"), Press("quit"),
        Press("mark"),
    ]  # fmt: skip
    story = [(keyboard.feed(text), keyboard.note) for text in ("mq s\x7f ok", "\n", "mabc\x1b", "m \n")]
    assert story == [([], "q  ok"), ([Press("note", "q  ok")], None), ([], None), ([], None)]


def test_arrows_and_function_keys_are_no_keys() -> None:
    """F2 is ESC O Q on most terminals and ended a recording; F3 and F4 ended in R and S."""
    keyboard = Keyboard()
    assert keyboard.feed("\x1bOQ\x1bOR\x1bOS\x1b[A\x1b[3~\x1b[1;5Qs") == [Press("skip")]
    keyboard.feed("mab")
    assert (keyboard.feed("\x1b[Dc"), keyboard.note) == ([], "abc")
