"""Compiler room's tests: C of their plans is built in a third of the time; `tests/emit` builds it as users do."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from swapbridge.emit.native import _library


@pytest.fixture(scope="module", autouse=True)
def built_without_optimising() -> Iterator[None]:
    """The calls that agree are the same; what an optimiser makes of C is that room's question."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("swapbridge.emit.native._library", lambda plan, optimised: _library(plan, False))
        yield
