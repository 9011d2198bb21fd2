"""Two plans played on the same recordings, counted signal by signal against the one that was written by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.capture.read import read_capture
from swapbridge.cli.tour.tour_steps import count_lines
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.demo.folder import write_demo_papers
from swapbridge.language.reading import load_bridge
from swapbridge.swapfolder.agreement import SignalAgreement, agreement

TOP = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[SignalAgreement], list[SignalAgreement]]:
    """The demo's bridge file against itself, and against one with three lines changed."""
    folder = tmp_path_factory.mktemp("agreement")
    (folder / "signal_maps").mkdir()
    write_demo_papers(folder)
    path = folder / "bridge.toml"
    truth, maps = compile_bridge(path).plan, load_maps(load_bridge(path))
    text = path.read_text()
    text = text.replace('AtIdle = { value = "donor.PCM_FAST.Idle"', 'AtIdle = { value = "0"')
    text = text.replace('"clamp(donor.PCM_FAST.RPM, 0 rpm,', '"clamp(donor.PCM_FAST.RPM * 1.2, 0 rpm,')
    text = text.replace('value = "host.TransRequest.RequestActive"', 'value = "0"')
    path.write_text(text)
    captures = {
        bus: read_capture(TOP / "captures" / f"{name}.log.gz")
        for bus, name in (("host", "host_old_engine"), ("donor", "donor_own_vehicle"))
    }
    other = compile_bridge(path).plan
    return agreement(truth, truth, maps, captures), agreement(truth, other, maps, captures)


def test_a_plan_is_like_itself(found: tuple[list[SignalAgreement], list[SignalAgreement]]) -> None:
    assert len(found[0]) > 35
    assert all(one.share == 1.0 for one in found[0])


def test_what_differs_is_named_and_nothing_else(found: tuple[list[SignalAgreement], list[SignalAgreement]]) -> None:
    """A request made for two seconds in the drive counts as much as none for the rest of it."""
    other = {one.signal for one in found[1] if not one.alike}
    assert other == {"AtIdle", "EngineSpeed", "RequestActive"}
    lines = count_lines(found[1])
    assert "8 of 10 messages agree completely" in lines[0]
    assert "EngineData.EngineSpeed" in lines[1]


def test_nothing_to_play_is_said() -> None:
    assert "needs a C compiler" in count_lines([])[0]
