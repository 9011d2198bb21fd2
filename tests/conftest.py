"""How Hypothesis draws its examples: the same ones everywhere, so that a run can be repeated; `explore` draws new ones,
ten times as many for a law that names no number of its own.

    pytest --hypothesis-profile explore

is for looking for trouble, before a release say; what it finds becomes an example of its own in the test.
"""

from __future__ import annotations

import gc
import importlib
import uuid
import warnings
from collections import Counter
from collections.abc import Generator
from contextlib import suppress

import pytest
from hypothesis import settings
from hypothesis.internal.conjecture import providers
from xdist.scheduler import LoadScopeScheduling

import swapbridge.capture.python_can  # noqa: F401 - before a test loads python-can, and that asammdf on every worker

settings.register_profile("same", derandomize=True, deadline=None, max_examples=50)
settings.register_profile("explore", deadline=None, max_examples=500, print_blob=True)
settings.load_profile("same")

# Hypothesis also draws numbers that it finds in the modules under test, but not in installed ones: off, so that a
# checkout and an installed package see the same examples. An inner name, so a release may take it away.
if hasattr(providers, "is_local_module_file"):
    providers.is_local_module_file = lambda path: False


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Generator[None, object, object]:
    """Python's search for cycles rests while the tests are collected: it took a quarter of each worker's time there.

    Later it leaves alone what collecting made, which lasts, and goes round less often: it took a tenth of their time.
    """
    gc.disable()
    try:
        _import_in_turn(session.config)
        return (yield)
    finally:
        gc.freeze()
        gc.set_threshold(100_000, 20, 20)
        gc.enable()


def _import_in_turn(config: pytest.Config) -> None:
    """Each worker begins with modules of its own, so that in a fresh checkout each is rewritten and compiled by one.

    Every worker then imports all of them, as pytest asks; what fails here fails again where pytest reports it.
    """
    me: dict[str, str | int] = getattr(config, "workerinput", {})
    if not me or config.args != config.getini("testpaths"):
        return
    paths = sorted(path.relative_to(config.rootpath) for path in config.rootpath.glob("tests/**/test_*.py"))
    begin = len(paths) * int(str(me["workerid"]).removeprefix("gw")) // int(me["workercount"])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for path in paths[begin:] + paths[:begin]:
            with suppress(Exception, pytest.skip.Exception):
                importlib.import_module(".".join(path.with_suffix("").parts))


class _Sharing(LoadScopeScheduling):  # type: ignore[misc]  # xdist has no types
    """What runs on one worker: the tests of a module, or of a long run those that share what took minutes to make.

    Named here and not by xdist's mark, which pytest 9.2 and pytest-xdist 3.8 together ignore without a word. Modules
    with most tests go first; of a long run what takes longest, so that no worker is at it when the others are done.
    """

    def _split_scope(self, nodeid: str) -> str:
        return sharing(nodeid, long=_is_long(self.config))


def _is_long(config: pytest.Config) -> bool:
    return bool(config.option.markexpr == "long")


def sharing(nodeid: str, *, long: bool) -> str:
    """Group of a test, all on one worker; of long tests, which take minutes and share little beside, most are one."""
    module = nodeid.split("::", maxsplit=1)[0]
    if not long:
        return module
    return next((group for group in LONG_GROUPS if module.startswith(group)), nodeid)


LONG_GROUPS = (
    "tests/page/test_browser",  # one Chromium at a time: its waits are for a page that has a processor
    "tests/test_readme.py",  # one fresh checkout, installed, and its tour
)


USUAL_S = 10
"""What a long test takes whose mark names no seconds."""


def seconds_of(item: pytest.Item) -> float:
    """What a long test takes, by its mark: ``@pytest.mark.long(180)``."""
    mark = item.get_closest_marker("long")
    return float(mark.args[0]) if mark is not None and mark.args else USUAL_S


@pytest.hookimpl(trylast=True)  # when those that were not asked for are out
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Of a long run, what takes longest goes first: each worker sorts alike, and the scheduler keeps that order."""
    if _is_long(config):
        group = {item: sharing(item.nodeid, long=True) for item in items}
        seconds: Counter[str] = Counter()
        for item in items:
            seconds[group[item]] += round(seconds_of(item))
        items.sort(key=lambda item: -seconds[group[item]])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> LoadScopeScheduling:
    config.option.loadscopereorder = not _is_long(config)
    return _Sharing(config, log)


@pytest.fixture
def channel() -> str:
    """Name of a virtual channel that no other test uses."""
    return f"test-{uuid.uuid4().hex[:12]}"
