"""The page over a folder, served by the real command, for the tests in a browser."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, Path]]:
    """Address and folder of a page that is served meanwhile."""
    command = [sys.executable, "-m", "swapbridge", "page", str(folder), "--no-open"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        found = re.search(r"http://127\.0\.0\.1:\d+", server.stderr.readline())
        assert found
        yield found.group(0), folder
        server.terminate()
