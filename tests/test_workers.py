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


def test_a_modules_tests_go_to_one_worker(tmp_path: Path) -> None:
    """Seen from outside, by which worker ran what: xdist's own mark was ignored without a word by a newer pytest, and
    every worker made every module's fixtures."""
    (tmp_path / "conftest.py").write_text((TOP / "tests" / "conftest.py").read_text(encoding="utf-8"))
    names = ("one", "two", "three")
    for name in names:
        (tmp_path / f"test_{name}.py").write_text(SHARED.format(name=name))
    call = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-n",
        "2",
        "-p",
        "no:cacheprovider",
        "-c",
        os.devnull,
        "--rootdir",
        ".",
    ]
    done = subprocess.run(call, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    workers = {name: {(tmp_path / f"{name}-{test}").read_text() for test in "ab"} for name in names}
    assert [len(who) for who in workers.values()] == [1, 1, 1]
    assert set.union(*workers.values()) == {"gw0", "gw1"}


def test_long_tests_go_where_there_is_room_except_those_that_share() -> None:
    assert sharing("tests/a/test_b.py::test_c[1]", long=False) == "tests/a/test_b.py"
    assert sharing("tests/a/test_b.py::test_c[1]", long=True) == "tests/a/test_b.py::test_c[1]"
    browsers = {sharing(f"tests/page/{path.name}::test", long=True) for path in (TOP / "tests/page").glob("test_brow*")}
    assert browsers == {"tests/page/test_browser"}
    for group in LONG_GROUPS:
        assert list(TOP.glob(f"{group}*")), group
