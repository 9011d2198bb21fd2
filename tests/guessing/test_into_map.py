"""What guess says of a field arrives in the signal map: a lever's words, and what cannot be generated."""

from __future__ import annotations

from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.guessing.findings_report import story
from swapbridge.guessing.guess import guess
from swapbridge.guessing.meaning.meaning import attach_meaning
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.findings import Findings


def test_the_words_of_a_lever_become_choices_of_the_map(plain_vehicle: Any) -> None:
    messages, advice, channels = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus)
    accepted = accept_findings(Findings(tuple(messages), tuple(advice), channels), min_confidence=0.5)
    lever = next(s for m in accepted.signal_map.messages for s in m.signals if s.name == "lever")
    assert lever.choices == {1: "P", 2: "R", 3: "N", 4: "D"}


def test_a_field_that_looks_authenticated_is_said_to_be_so_and_stays_so_in_the_map() -> None:
    rng = np.random.default_rng(4)
    n = 800
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0] = np.arange(n) % 16
    payload[:, 1] = 100 + np.cumsum(rng.integers(-1, 2, n))
    payload[:, 4:8] = rng.integers(0, 256, (n, 4))  # what a truncated MAC looks like
    capture = Capture(
        np.arange(n) * 10_000_000,
        np.full(n, 0x200, np.uint32),
        np.zeros(n, np.uint8),
        np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8),
        payload,
    )
    findings = guess(capture)
    noisy = [f for m in findings.messages for f in m.fields if f.evidence.get("possibly_authenticated")]
    assert [sorted(f.layout.positions) for f in noisy] == [list(range(32, 64))]
    told = "\n".join(story(findings, 0x200, False))
    assert "possibly authenticated, cannot be generated" in " ".join(told.split())
    accepted = accept_findings(findings, min_confidence=0.0)
    signals = [s for m in accepted.signal_map.messages for s in m.signals]
    assert [s.authenticated for s in signals if min(s.layout.positions) >= 32] == [True]
    assert not any(s.authenticated for s in signals if min(s.layout.positions) < 32)
