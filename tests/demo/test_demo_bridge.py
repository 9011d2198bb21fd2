"""The demo's bridge file: it compiles, covers what vanished, and says every warning it gives on purpose."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.compiler.compile import CompileResult, compile_bridge
from swapbridge.core.identifier_words import split_word
from swapbridge.core.needs import load_needs
from swapbridge.demo.folder import write_demo_papers
from swapbridge.demo.vehicle_maps import host_map


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, CompileResult]:
    folder = tmp_path_factory.mktemp("demo")
    (folder / "signal_maps").mkdir()
    write_demo_papers(folder)
    return folder, compile_bridge(folder / "bridge.toml")


def test_it_supplies_what_the_old_engine_computer_sent(compiled: tuple[Path, CompileResult]) -> None:
    folder, result = compiled
    host = next(n for n, b in enumerate(result.plan.buses) if b.name == "host")
    sent = {split_word(s.word)[0] for s in result.plan.sends if s.bus == host}
    assert sent == {m.identifier for m in host_map().messages if "EngineModule" in m.senders}
    needed = {(n.bus, n.word) for n in load_needs(folder / "needs.toml") if n.how == "can"}
    assert needed == {(result.plan.buses[s.bus].name, s.word) for s in result.plan.sends}


def test_its_warnings_are_the_ones_meant(compiled: tuple[Path, CompileResult]) -> None:
    """Sources slower than what is made of them, the wired brake switch, and the load added: nothing else."""
    for warning in compiled[1].warnings:
        assert any(words in warning for words in ("old", "stays wired", "load")), warning


def test_the_plan_in_words_names_every_message(compiled: tuple[Path, CompileResult]) -> None:
    text = compiled[1].explain
    for name in ("EngineData", "TorqueLimits", "EngineTemps", "TCU_REQUEST", "ESC_SPEED", "BCM_STATE"):
        assert name in text
