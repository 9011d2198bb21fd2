"""The guides: every command in them is run, every file in them is read, and the cautions stand in front."""

from __future__ import annotations

import configparser
import json
import re
import shlex
import shutil
import threading
import time
import tomllib
from collections.abc import Iterator
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import can
import pytest
from click.testing import CliRunner
from rich.console import Console
from rich.markdown import Markdown

from swapbridge.bus.adapters.bitrate import find_bitrate
from swapbridge.bus.adapters.spec import load_bus_config
from swapbridge.cli.commands import dtc_cmd, record_cmd
from swapbridge.cli.main import cli
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.core.cautions import CAUTIONS, cautions_for
from swapbridge.guides.guide_pages import STAGES, TOPICS, page_text
from swapbridge.language.reading import load_bridge
from tests.asking.car import Car, ask_simulated
from tests.demo_folder import lay_out_demo
from tests.proofs import write_proof

SLOW = ("guess", "prove")
"""Commands that take long: the others of a page are run in the ordinary tests, these in the long ones."""


def blocks(topic: str, language: str) -> list[str]:
    text = files("swapbridge.guides").joinpath("pages", f"{topic}.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def commands(topic: str) -> list[list[str]]:
    lines = [line for block in blocks(topic, "sh") for line in block.splitlines() if line.strip()]
    assert all(line.startswith("swapbridge ") for line in lines)
    return [shlex.split(line)[1:] for line in lines]


def on_this_machine(words: list[str], channel: str) -> list[str]:
    """The same command with virtual buses, a short time, and the typing that nobody is here to do."""
    words = [re.sub(r"=socketcan:(can\d)", rf"=virtual:{channel}-\1", word) for word in words]
    if words[0] in ("record", "run") and "--find-bitrate" not in words:
        if "--seconds" in words:
            words[words.index("--seconds") + 1] = "0.4"
        else:
            words += ["--seconds", "0.4"]
    if words[0] == "dtc" and "--after" not in words:
        words.append("--cautions-read")
    if words[0] == "run" and "--send" in words and "--cautions-read" not in words:
        words.append("--cautions-read")
    if words[0] == "replay":
        words[words.index("--rate") + 1] = "5000"
    if words[0] == "prove":
        words += ["--faults", "none", "--real-time", "0.5", "--workers", "1"]
    return words


@pytest.fixture(scope="module")
def swap(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A swap folder far along: captures, maps, bridge file, plan and its proof."""
    folder = tmp_path_factory.mktemp("swap")
    lay_out_demo(folder)
    bridge = load_bridge(folder / "bridge.toml")
    write_proof(folder, compile_bridge(bridge, load_maps(bridge)).plan)
    return folder


@pytest.fixture
def garage(swap: Path, channel: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The swap folder as the current one, its buses the first guide's own file made virtual, and traffic on them."""
    monkeypatch.chdir(swap)
    monkeypatch.setattr(dtc_cmd, "ask", ask_simulated(Car()))
    monkeypatch.setattr(record_cmd, "find_bitrate", partial(find_bitrate, seconds=0.3))
    (text,) = blocks("first-contact", "toml")
    Path("buses.toml").write_text(re.sub(r"can(\d)", rf"{channel}-can\1", text.replace("socketcan", "virtual")))
    stop = threading.Event()

    def traffic() -> None:
        buses = [can.Bus(interface="virtual", channel=f"{channel}-can{k}", ignore_config=True) for k in range(2)]
        while not stop.is_set():
            for bus in buses:
                bus.send(can.Message(arbitration_id=0x7A0, is_extended_id=False, data=bytes(8)))
            time.sleep(0.02)
        for bus in buses:
            bus.shutdown()

    thread = threading.Thread(target=traffic)
    thread.start()
    yield swap
    stop.set()
    thread.join()


def run_all(topic: str, channel: str, slow: bool) -> int:
    done = 0
    for words in commands(topic):
        if (words[0] in SLOW) is not slow:
            continue
        result = CliRunner().invoke(cli, on_this_machine(words, channel))
        assert result.exit_code == 0, f"{words}: {result.output}"
        done += 1
    return done


@pytest.mark.parametrize("topic", STAGES)
def test_commands(topic: str, garage: Path, channel: str) -> None:
    if topic == "reading-a-guess":  # its map is made by a slow command before it: see the long test
        assert commands(topic)[0][0] == "guess"
        return
    done = run_all(topic, channel, slow=False)
    assert done or topic in ("reading-a-verdict", "calibrate-a-gauge", "find-what-a-module-needs")


@pytest.mark.long
def test_slow_commands(garage: Path, channel: str) -> None:
    for words in commands("reading-a-guess"):
        result = CliRunner().invoke(cli, on_this_machine(words, channel))
        assert result.exit_code == 0, f"{words}: {result.output}"
    assert run_all("reading-a-verdict", channel, slow=True) == 1
    assert Path("verdict.html").exists()


@pytest.mark.long
def test_a_black_box_is_proved_again(garage: Path, tmp_path: Path) -> None:
    """What a live run leaves behind is a capture that `prove` takes, both buses in it."""
    words = f"run plan.json --against captures/donor_own_vehicle.log.gz --seconds 4 --black-box {tmp_path}"
    result = CliRunner().invoke(cli, words.split())
    assert result.exit_code == 0, result.output
    shutil.copy("plan.json", tmp_path / "copy.json")  # so that the folder's own proof stays
    words = f"prove {tmp_path}/copy.json --bridge bridge.toml --needs needs.toml --donor {tmp_path}/black-box.log"
    result = CliRunner().invoke(cli, [*words.split(), "--faults", "none", "--real-time", "0"])
    assert result.exit_code in (0, 1), result.output  # a few seconds asleep prove little; that it is judged counts
    assert json.loads((tmp_path / "proof.json").read_text())["checks"]


def test_files_in_the_guides(tmp_path: Path) -> None:
    (text,) = blocks("first-contact", "toml")
    path = tmp_path / "buses.toml"
    path.write_text(text)
    assert [spec.name for spec in load_bus_config(path)] == ["donor", "host"]
    (text,) = blocks("writing-a-bridge", "toml")
    assert tomllib.loads(text)["messages"][0]["send"] == "host.EngineData"


def test_the_service_runs_what_the_guide_says(garage: Path, channel: str) -> None:
    (text,) = blocks("gateway", "ini")
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read_string(text)
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert float(service["WatchdogSec"]) <= 5
    program, *words = shlex.split(service["ExecStart"])
    assert program.endswith("/swapbridge")
    assert words in commands("gateway")


@pytest.mark.parametrize("topic", TOPICS)
def test_pages_read_well(topic: str) -> None:
    """Short, 80 columns where nothing is long by nature, cautions in front, and no page names one that is not there."""
    text = page_text(topic)
    assert text.startswith("# ")
    assert "<!--" not in text
    lines = text.splitlines()
    assert len(lines) <= 170
    code = False
    for line in lines:
        code ^= line.startswith("```")
        assert len(line) <= 80 or code or line.startswith(("    ", "|")), line
    assert set(re.findall(r"swapbridge guide ([\w-]+)", text)) <= set(TOPICS)
    console = Console(width=60, force_terminal=False, color_system=None)
    with console.capture() as caught:
        console.print(Markdown(text))
    assert max(map(len, caught.get().splitlines())) <= 60


def test_cautions_stand_in_front() -> None:
    for topic in ("first-start", "gateway", "trouble", "reading-a-verdict"):
        text = " ".join(page_text(topic).replace(">", " ").split())
        for caution in cautions_for("send"):
            assert caution.text in text
        assert text.index(CAUTIONS[0].text) < 200
    assert "chocked" in page_text("first-contact")
    assert len(cautions_for("listen")) < len(cautions_for("ask")) < len(cautions_for("send")) == len(CAUTIONS)


def test_the_command() -> None:
    def invoke(*words: str) -> Any:
        return CliRunner().invoke(cli, ["guide", *words])

    overview = invoke()
    assert overview.exit_code == 0
    assert all(topic in overview.output for topic in TOPICS)
    assert "60 ohm" in invoke("first-contact").output
    missing = invoke("nonsense")
    assert missing.exit_code == 2
    assert "there are first-contact" in missing.output
