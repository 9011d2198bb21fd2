"""The demo's swap for tests, with the project's own captures instead of a new drive of both vehicles.

`tests/demo/test_captures.py` holds the captures to be what the seeded command makes, to the byte.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import StimulusTrack, read_stimulus
from swapbridge.demo.folder import RECORDINGS, write_demo_papers

OWN_CAPTURES = Path(__file__).parent.parent / "captures"


def lay_out_demo(folder: Path) -> None:
    """What `write_demo` lays out with its own seed, in an existing folder."""
    for part in (folder / "captures", folder / "signal_maps"):
        part.mkdir()
    for name in RECORDINGS:
        for ending in (".log.gz", ".csv"):
            shutil.copy(OWN_CAPTURES / f"{name}{ending}", folder / "captures")
    write_demo_papers(folder)


def demo_capture(name: str) -> tuple[Capture, StimulusTrack]:
    """One of the demo's recordings and its stimulus track."""
    return read_capture(OWN_CAPTURES / f"{name}.log.gz"), read_stimulus(OWN_CAPTURES / f"{name}.csv")
