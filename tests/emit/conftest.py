"""Built objects go to a folder of the test run, not to the user's cache."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def emit_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module", autouse=True)
def cache_of_this_run(emit_cache: Path) -> Iterator[None]:
    """For this room's modules alone: the next module on this worker finds what the user's cache has."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(emit_cache))
        yield
