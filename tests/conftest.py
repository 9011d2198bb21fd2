"""How Hypothesis draws its examples: the same ones everywhere, so that a run can be repeated; `explore` draws new ones.

    pytest --hypothesis-profile explore

is for looking for trouble, before a release say; what it finds becomes an example of its own in the test.
"""

from __future__ import annotations

import gc
import uuid
from collections.abc import Generator

import pytest
from hypothesis import settings
from hypothesis.internal.conjecture import providers

settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("explore", deadline=None, print_blob=True)
settings.load_profile("same")

# Hypothesis also draws numbers that it finds in the modules under test, but not in installed ones: off, so that a
# checkout and an installed package see the same examples. An inner name, so a release may take it away.
if hasattr(providers, "is_local_module_file"):
    providers.is_local_module_file = lambda path: False


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Python's search for cycles rests while the tests are collected: it took a quarter of each worker's time there."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The tests of a module go to one worker, so that what they share is made once in a run and not by every worker.

    The modules with most tests go first, and a single test is what a worker may still be at when the others are done.
    Long tests take minutes, and share little beside that: they go where there is room.
    """
    for item in items:
        if item.get_closest_marker("long") is None and item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(item.path.relative_to(item.config.rootpath).as_posix()))


@pytest.fixture
def channel() -> str:
    """Name of a virtual channel that no other test uses."""
    return f"test-{uuid.uuid4().hex[:12]}"
