"""Two tabs, an editor, and a page killed in the middle of its writes: nothing that was acknowledged is lost."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="pages are forked and killed")


def play(folder: Path, first: int, count: int) -> dict[str, int]:
    top = Path(__file__).parent.parent.parent
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([*filter(None, sys.path), str(top)])}
    done = subprocess.run(
        [
            sys.executable,
            "-W",
            "ignore",
            str(Path(__file__).with_name("two_tabs.py")),
            str(folder),
            str(first),
            str(count),
        ],
        capture_output=True,
        text=True,
        env=environment,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    counts: dict[str, int] = json.loads(done.stdout)
    return counts


def test_nothing_is_lost_between_two_tabs_and_a_kill(tmp_path: Path) -> None:
    counts = play(tmp_path, 0, 10)
    assert all(counts.values()), counts


@pytest.mark.long(100)
@pytest.mark.timeout(700)
def test_nothing_is_lost_in_five_hundred_sequences(tmp_path: Path) -> None:
    with ThreadPoolExecutor(2) as pool:
        halves = pool.map(lambda first: play(tmp_path / str(first), first, 250), (1_000, 2_000))
        counts = dict(sum((Counter(half) for half in halves), Counter()))
    assert counts["killed"] > 300, counts
    assert counts["refused"] > 300, counts
    assert counts["undone"] > 100, counts
