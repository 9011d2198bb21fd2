"""Core room: files written whole, and names that are no files on Windows."""

from __future__ import annotations

import os
import sys
import time
import warnings
from pathlib import Path, PureWindowsPath

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from swapbridge.asking.trials.log import TrialLog
from swapbridge.bus.recording.segments import AppendFile
from swapbridge.core.errors import InputError
from swapbridge.core.files import device_name, written_whole
from swapbridge.page.keeping import Keeper

# Microsoft, "Naming Files, Paths, and Namespaces": these names, with any ending
PUBLISHED = ["CON", "PRN", "AUX", "NUL", *(f"{port}{n}" for port in ("COM", "LPT") for n in "0123456789¹²³")]


@pytest.mark.parametrize("name", PUBLISHED)
@pytest.mark.parametrize("ending", ["", ".dbc", ".log.gz"])
def test_devices_are_told_in_any_folder_case_and_form(name: str, ending: str) -> None:
    for written in (name + ending, name.lower() + ending):
        assert device_name(Path("swap") / "captures" / written) == written


@pytest.mark.parametrize("name", ["host.dbc", "console.log", "com10.log", "aux_heater.dbc", "lpt.csv", ".aux", "a.nul"])
def test_other_names_are_files(name: str) -> None:
    assert device_name(Path(name)) is None


@given(st.sampled_from([*PUBLISHED, "host", "com10", "lpt", "auxiliary"]), st.sampled_from(["", ".", " .", ".x", "x"]))
@example("CONIN$", ".log")
def test_devices_are_those_that_python_knows_of(name: str, ending: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # Python 3.13 has moved it to os.path
        known = PureWindowsPath(name + ending).is_reserved()
    if name != "CONIN$" and "0" not in name:  # in the list of some Pythons only
        assert (device_name(Path(name + ending)) is not None) == known


def test_windows_alone_is_kept_from_writing_to_a_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with written_whole(tmp_path / "aux.dbc") as temporary:
        temporary.write_text("a map")
    monkeypatch.setattr(sys, "platform", "win32")
    with (
        pytest.raises(InputError, match=r"aux\.dbc: Windows treats aux\.dbc as a device; choose another name"),
        written_whole(tmp_path / "aux.dbc"),
    ):
        pass


@pytest.mark.parametrize("most_refusals", [3, 1000])
def test_a_file_that_another_program_holds_is_tried_again_on_windows(
    most_refusals: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scanner lets go of it in a moment, a spreadsheet does not; os.replace says PermissionError of both there."""
    target, refusals, replace, waited = tmp_path / "needs.toml", [0], os.replace, [0.0]
    target.write_text("before")

    def held(new: Path, old: Path) -> None:
        if refusals[0] < most_refusals:
            refusals[0] += 1
            raise PermissionError(13, "Access is denied", str(new))
        replace(new, old)

    monkeypatch.setattr(os, "replace", held)
    monkeypatch.setattr(time, "sleep", lambda s: waited.append(s))
    with pytest.raises(InputError, match="name a folder"), written_whole(target) as temporary:
        temporary.write_text("after")  # other systems let a file be replaced while it is open: nothing to wait for
    assert (refusals, target.read_text()) == ([1], "before")
    monkeypatch.setattr(sys, "platform", "win32")
    refusals[0] = 0
    if most_refusals < 10:
        with written_whole(target) as temporary:
            temporary.write_text("after")
        assert target.read_text() == "after"
    else:
        said = r"needs\.toml: Access is denied; close the program that has it open"
        with pytest.raises(InputError, match=said), written_whole(target) as temporary:
            temporary.write_text("after")
        assert target.read_text() == "before"
        assert 0.5 < sum(waited) < 2
    assert [path.name for path in tmp_path.iterdir()] == ["needs.toml"]


def test_nothing_else_is_written_to_a_device_either(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording, a trial's log, and what the page keeps or is given."""
    monkeypatch.setattr(sys, "platform", "win32")
    refused = "as a device; choose another name"
    with pytest.raises(InputError, match=refused):
        AppendFile(tmp_path / "con.log")
    with pytest.raises(InputError, match=refused):
        TrialLog(tmp_path / "com1.log", "host", 0)
    with pytest.raises(InputError, match=refused), Keeper(tmp_path).place_for("nul.dbc"):
        pass
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
