"""`import swapbridge` offers the whole way: lazily, each name the function of its step, and nothing hides it."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import swapbridge
from swapbridge.core.layout import Layout
from swapbridge.demo.folder import write_demo_papers
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage

ROOMS = sorted(module.name for module in pkgutil.iter_modules(swapbridge.__path__) if module.ispkg)
NAMES = sorted(set(swapbridge.__all__) - {"__version__"})
TOP = Path(__file__).parent.parent

TWICE = """
import importlib, sys
for room in {rooms}:
    importlib.import_module("swapbridge." + room)
import swapbridge
first, second = getattr(swapbridge, {name!r}), getattr(swapbridge, {name!r})
assert first is second and callable(first), first
assert first.__name__ == {name!r}, first
print(first.__module__)
"""


@pytest.mark.parametrize("name", NAMES)
def test_each_name_is_what_it_says_whatever_was_imported_before(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", TWICE.format(rooms=ROOMS, name=name)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().startswith("swapbridge.")


def test_no_name_of_the_face_is_a_room() -> None:
    assert not set(NAMES) & set(ROOMS)


def test_rooms_import_nothing() -> None:
    """A room's `__init__.py` is its docstring and nothing else, at every depth."""
    for module in pkgutil.walk_packages(swapbridge.__path__, "swapbridge."):
        if module.ispkg:
            package = importlib.import_module(module.name)
            assert package.__file__ is not None
            lines = Path(package.__file__).read_text(encoding="utf-8").splitlines()
            assert len(lines) == 1, module.name
            assert lines[0].startswith('"""'), module.name


def test_an_unknown_name_is_no_attribute() -> None:
    with pytest.raises(AttributeError, match="frobnicate"):
        _ = swapbridge.frobnicate
    assert set(NAMES) <= set(dir(swapbridge))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A swap folder with the demo's recordings as they stand in captures/, and its papers."""
    folder = tmp_path_factory.mktemp("face")
    (folder / "captures").symlink_to(TOP / "captures")
    (folder / "signal_maps").mkdir()
    write_demo_papers(folder)
    return folder


PACKAGE = Path(swapbridge.__path__[0])
SHOWING = sorted(
    ".".join(("swapbridge", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
    if re.search("^ *>>> ", path.read_text(encoding="utf-8"), re.MULTILINE)
)
LONG = {"swapbridge.proving.prove": pytest.mark.long}


@pytest.mark.parametrize("name", [pytest.param(name, marks=LONG.get(name, ())) for name in SHOWING])
def test_the_examples_run(name: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of them, none skipped: those of the face and of every module, on the demo's recordings."""
    monkeypatch.chdir(folder)
    monkeypatch.setattr("swapbridge.bus.running.control.shared_folder", lambda _: folder)  # no Stop of another test
    module = importlib.import_module(name)
    assert "doctest: +SKIP" not in Path(str(module.__file__)).read_text(encoding="utf-8")
    result = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.attempted >= 1
    assert result.failed == 0


def test_every_name_of_the_face_has_an_example_that_runs() -> None:
    text = "\n".join(str(one.__doc__) for one in (swapbridge, *(getattr(swapbridge, name) for name in NAMES)))
    assert [name for name in NAMES if not re.search(rf">>> (?:.*\W)?{name}\(", text)] == []


def test_what_a_step_gives_says_so_in_one_line(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    capture = swapbridge.read_capture("captures/donor_alone.log.gz")
    plain = FoundField("a", Layout(0, 8), "flag", 1.0, 1.0)
    fields = (plain, replace(plain, name="b", layout=Layout(8, 8), stimulus="key"))
    found = Findings((FoundMessage(1, False, "host", 8, 10.0, 100, fields),))
    values = (
        (capture, "<Capture captures/donor_alone.log.gz: 2598 frames in 11.2 s on donor>"),
        (found, "<Findings: 1 messages, 2 fields, 1 follow a channel>"),
        (swapbridge.load_map("signal_maps/donor.dbc"), "<SignalMap signal_maps/donor.dbc: 12 messages, 61 signals>"),
        (swapbridge.compile_bridge("bridge.toml").plan, "<Plan 'tarnwick_in_brindle': 11 messages heard, 10 sent, on "
                                                        "host, donor>"),
    )  # fmt: skip
    assert [repr(value) for value, _ in values] == [text for _, text in values]


def test_what_outside_scripts_rely_on(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`NativeTranslator(plan).run_batch(...)` positional, the answer's columns, bus names, `plan_from_json(text)`."""
    monkeypatch.chdir(folder)
    text = swapbridge.compile_bridge("bridge.toml").plan.to_json()
    plan = swapbridge.plan_from_json(text)
    assert [bus.name for bus in plan.buses] == ["host", "donor"]
    heard = plan.receives[0]
    time_us = np.arange(50, dtype=np.int64) * 10_000
    answer = swapbridge.NativeTranslator(plan).run_batch(
        time_us,
        np.full(50, heard.bus, np.uint8),
        np.full(50, heard.word, np.uint32),
        np.full(50, 8, np.uint8),
        np.zeros((50, 8), np.uint8),
    )
    rows = len(answer.time_us)
    assert rows > 0
    assert all(len(column) == rows for column in (answer.bus, answer.word, answer.length, answer.payload))
