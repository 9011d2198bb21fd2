"""Compiler room's tests: C of their plans is built in a third of the time; `tests/emit` builds it as users do."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pytest

from swapbridge.core.toolchain import shared_object


@pytest.fixture(scope="module", autouse=True)
def built_without_optimising() -> Iterator[None]:
    """The calls that agree are the same; what an optimiser makes of C is that room's question."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("swapbridge.emit.native.shared_object", partial(shared_object, flags=("-std=c99", "-O0")))
        yield
