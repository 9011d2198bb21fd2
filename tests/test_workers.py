"""The suite's own arrangement: which tests share a worker, and that they do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.conftest import LONG_GROUPS, sharing

TOP = Path(__file__).parent.parent

SHARED = """
import os, pathlib

def test_a(): pathlib.Path("{name}-a").write_text(os.environ["PYTEST_XDIST_WORKER"])
def test_b(): pathlib.Path("{name}-b").write_text(os.environ["PYTEST_XDIST_WORKER"])
"""


TAKING = """
import pathlib, pytest

def note(name): pathlib.Path("order").open("a").write(name)

@pytest.mark.long
def test_usual(): note("u")
def test_plain(): note("p")
@pytest.mark.long(30)
def test_longer(): note("l")
@pytest.mark.long(20)
@pytest.mark.parametrize("part", "34")
def test_shorter_parts(part): note(part)
@pytest.mark.long(40)
@pytest.mark.parametrize("part", "12")
def test_longest_parts(part): note(part)
"""


def _run(folder: Path, *options: str) -> None:
    """The tests of a folder under the suite's own conftest, on workers."""
    (folder / "conftest.py").write_text((TOP / "tests" / "conftest.py").read_text(encoding="utf-8"))
    usual = ["-q", "-p", "no:cacheprovider", "-c", os.devnull, "--rootdir", "."]
    call = [sys.executable, "-m", "pytest", *usual, *options]
    done = subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_modules_tests_go_to_one_worker(tmp_path: Path) -> None:
    """Seen from outside, by which worker ran what: xdist's own mark was ignored without a word by a newer pytest, and
    every worker made every module's fixtures."""
    names = ("one", "two", "three")
    for name in names:
        (tmp_path / f"test_{name}.py").write_text(SHARED.format(name=name))
    _run(tmp_path, "-n", "2")
    workers = {name: {(tmp_path / f"{name}-{test}").read_text() for test in "ab"} for name in names}
    assert [len(who) for who in workers.values()] == [1, 1, 1]
    assert set.union(*workers.values()) == {"gw0", "gw1"}


def test_of_a_long_run_what_takes_longest_goes_first(tmp_path: Path) -> None:
    (tmp_path / "test_taking.py").write_text(TAKING)
    _run(tmp_path, "-n", "1", "-m", "long")
    assert (tmp_path / "order").read_text() == "12l34u"


def test_long_tests_go_where_there_is_room_except_those_that_share() -> None:
    assert sharing("tests/a/test_b.py::test_c[1]", long=False) == "tests/a/test_b.py"
    assert sharing("tests/a/test_b.py::test_c[1]", long=True) == "tests/a/test_b.py::test_c[1]"
    browsers = {sharing(f"tests/page/{path.name}::test", long=True) for path in (TOP / "tests/page").glob("test_brow*")}
    assert browsers == {"tests/page/test_browser"}
    for group in LONG_GROUPS:
        assert list(TOP.glob(f"{group}*")), group
