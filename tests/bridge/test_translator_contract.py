"""The fast translator does on every call what the plan's contract, written out slowly, says."""

from __future__ import annotations

import pytest

from tests.bridge.kit import RICH, compile_text, drive


@pytest.mark.parametrize("seed", range(6))
def test_agrees_call_by_call_on_random_traffic(seed: int) -> None:
    sent = drive(compile_text(RICH), seed, 2500, start=0xFFFF_FFFF - 700_000 * seed)
    assert sent > 300


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 112))
def test_agrees_call_by_call_for_long(seed: int) -> None:
    drive(compile_text(RICH), seed, 60_000, start=0xFFFF_FFFF - 10_000_000)
