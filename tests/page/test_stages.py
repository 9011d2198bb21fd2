"""How far each need has come, from unknown to proved, as the page's first view counts it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.core.needs import Need, load_needs
from swapbridge.demo.folder import write_demo_papers
from swapbridge.page.stages import STAGES, FolderEvidence, count_stages, stage_of
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage
from swapbridge.signalmap.signal_map import SignalMap

OpenPage = Callable[[Path], Any]
MAPS = Path(__file__).parent.parent.parent / "signal_maps"


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's papers and maps without its captures."""
    folder = tmp_path_factory.mktemp("papers")
    (folder / "captures").mkdir()
    (folder / "signal_maps").mkdir()
    write_demo_papers(folder)
    for path in MAPS.glob("*.dbc"):
        shutil.copy(path, folder / "signal_maps" / f"{path.stem.rsplit('_', 1)[-1]}.dbc")
    return folder


def test_a_need_rises_through_every_stage(papers: Path) -> None:
    need = next(n for n in load_needs(papers / "needs.toml") if n.how == "can" and n.word is not None)
    assert need.word is not None
    plan = compile_bridge(papers / "bridge.toml").plan
    signal_map = load_map(papers / "signal_maps" / f"{need.bus}.dbc")
    field = FoundField("field_0_8", Layout(0, 8), "analogue", 0.9, 0.9)
    found = Findings((FoundMessage(need.word, False, need.bus, 8, 10.0, 100, (field,)),))
    nothing = FolderEvidence(None, False, (), ())
    assert stage_of(need, nothing) == "unknown"
    assert stage_of(need, replace(nothing, findings=(found,))) == "guessed"
    assert stage_of(need, replace(nothing, maps=(signal_map,))) == "accepted"
    assert stage_of(need, replace(nothing, plan=plan)) == "mapped"
    assert stage_of(need, replace(nothing, plan=plan, proved=True)) == "proved"


def test_what_is_not_can_stays_so_and_counts_add_up(papers: Path) -> None:
    needs = load_needs(papers / "needs.toml")
    plan = compile_bridge(papers / "bridge.toml").plan
    counts = count_stages(needs, FolderEvidence(plan, True, (), ()))
    assert sum(counts.values()) == len(needs)
    assert counts["not CAN"] == sum(n.how != "can" for n in needs) > 0
    assert tuple(counts) == STAGES


def test_a_need_by_role_is_accepted_where_a_map_has_that_role() -> None:
    need = Need("cluster", bus="host", role="Vehicle.Speed")
    map_with = next(m for m in (load_map(p) for p in MAPS.glob("*.dbc")) if _roles(m))
    role = sorted(_roles(map_with))[0]
    assert stage_of(replace(need, role=role), FolderEvidence(None, False, (map_with,), ())) == "accepted"
    assert stage_of(replace(need, role="Vehicle.Nothing"), FolderEvidence(None, False, (map_with,), ())) == "unknown"


def _roles(signal_map: SignalMap) -> set[str]:
    return {s.role for m in signal_map.messages for s in m.signals if s.role}


def test_the_first_view_says_the_next_thing_even_in_a_broken_folder(
    papers: Path, open_page: OpenPage, tmp_path: Path
) -> None:
    folder = tmp_path / "broken"
    shutil.copytree(papers, folder)
    for name in ("needs.toml", "bridge.toml", "plan.json", "proof.json"):
        (folder / name).write_bytes(b"\xff\x00not this")
    (folder / "signal_maps" / "host.dbc").write_text("this is no DBC")
    page = open_page(folder).http.get("/")
    assert page.status_code == 200
    assert "Next step" in page.text
    assert "before it comes out" in page.text
