"""Prove room: seeded mistakes: a swap with one mistake in it never gets PASSED; the sound one does, with few looks."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from swapbridge.proving.report.verdict import Verdict
from tests.proving import mistakes

IN_THE_SUITE = (
    "heard layout: engine speed with the other byte order",
    "heard layout: engine state codes swapped",
    "sent layout: kick-down on the bit beside",
    "sent layout: coolant in degC",
    "meaning: coolant from oil temperature",
    "integrity: a sent checksum that misses every old frame",
    "bridge rule: torque + 100 Nm",
    "bridge rule: a request halved",
    "wrong or damaged recording: the unplugged one as host",
    "edited plan: a safe answer",
)
NO_EVIDENCE = frozenset[str]()
LEAST_REFUSED = 0.95


@cache
def _sound() -> mistakes.World:
    return mistakes.sound_world()


def _outcome(name: str) -> tuple[str, str]:
    with TemporaryDirectory() as folder:
        verdict = mistakes.verdict_of(mistakes.ALL[name](_sound()), Path(folder))
    if isinstance(verdict, str):
        return "refused", verdict
    worst = [f"{c.subject}, {c.name}: {c.measured}" for c in verdict.worst if c.status in ("fail", "unproved")]
    return verdict.outcome, "; ".join(worst[:3])


def _is_sound(verdict: Verdict | str) -> None:
    assert isinstance(verdict, Verdict), verdict
    assert verdict.outcome == "PASSED", verdict.worst
    assert len(verdict.with_status("warn")) <= 3


def test_the_sound_swap_passes_with_few_looks(tmp_path: Path) -> None:
    _is_sound(mistakes.verdict_of(_sound(), tmp_path))


@pytest.mark.parametrize("name", IN_THE_SUITE)
def test_a_mistake_is_refused(name: str) -> None:
    outcome, words = _outcome(name)
    assert outcome in ("FAILED", "NOT PROVED", "refused"), words


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1, 2])
def test_sound_swaps_of_other_drives_pass(seed: int, tmp_path: Path) -> None:
    _is_sound(mistakes.verdict_of(mistakes.sound_world(seed), tmp_path))


@pytest.mark.long
@pytest.mark.timeout(900)
def test_nearly_every_mistake_is_refused() -> None:
    """Of at least ninety mistakes that leave evidence at least 95 % are refused, FAILED or NOT PROVED."""
    names = [name for name in mistakes.ALL if name not in NO_EVIDENCE]
    assert len(mistakes.ALL) >= 90
    with ProcessPoolExecutor(2) as pool:
        outcomes = dict(zip(names, pool.map(_outcome, names), strict=True))
    passed = [name for name, (outcome, _) in outcomes.items() if outcome == "PASSED"]
    assert len(passed) <= (1 - LEAST_REFUSED) * len(names), passed
