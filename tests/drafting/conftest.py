"""Drafting room's tests: most swaps differ from the rig's in one vehicle, so what was guessed of the other is kept."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Iterator
from typing import Any

import pytest

from swapbridge.drafting import recordings
from swapbridge.guessing.guess import guess
from swapbridge.signalmap.findings import Findings

_KEPT: dict[bytes, bytes] = {}


def _guessed_once(capture: Any, stimulus: Any, *, progress: Any = None, executor: Any = None) -> Findings:
    """What `guess` finds in these frames beside this stimulus: each caller's own copy of what is kept."""
    if progress is not None or executor is not None:
        return guess(capture, stimulus, progress=progress, executor=executor)
    key = hashlib.sha256(pickle.dumps((capture, stimulus))).digest()
    if key not in _KEPT:
        _KEPT[key] = pickle.dumps(guess(capture, stimulus))
    found: Findings = pickle.loads(_KEPT[key])
    return found


@pytest.fixture(scope="module", autouse=True)
def equal_recordings_are_guessed_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recordings, "guess", _guessed_once)
        yield
