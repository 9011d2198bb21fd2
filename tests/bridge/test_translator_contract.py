"""The fast translator does on every call what the plan's contract, written out slowly, says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from swapbridge.bridge import CompileResult


@pytest.mark.parametrize("seed", range(6))
def test_agrees_call_by_call_on_random_traffic(
    rich: CompileResult, interpreter: Any, drive_both: Callable[..., int], seed: int
) -> None:
    sent = drive_both(rich, interpreter, seed, 2500, start=0xFFFF_FFFF - 700_000 * seed)
    assert sent > 300
