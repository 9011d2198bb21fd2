"""Prove room: the closed loop: the demo's vehicle passes with its plan, and each thing that goes wrong is named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.closed_loop import DemoSwap, loop_script
from swapbridge.demo.folder import write_demo_papers
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.judges.runs.round_trip import judge_round_trip, judge_samples
from swapbridge.proving.verdict import Check

MS = 1_000_000


@dataclass(frozen=True)
class Truth:
    """One moment of an invented run."""

    time_ns: int
    requested_nm: float | None = None
    heard_nm: float | None = None
    actual_nm: float = 200.0
    most_nm: float = 400.0
    reported_nm: float | None = 200.0
    acknowledged: bool = False
    engine_rpm: float = 2000.0
    running: bool = True


def _run() -> list[Truth]:
    """Off, then torque, a request from 3.0 to 3.3 s that is heard and acted on, and overrun from 4 s on."""
    out = []
    for ms in range(0, 6000, 2):
        truth = Truth(ms * MS)
        if ms < 1000:
            truth = replace(truth, running=False, engine_rpm=0.0, actual_nm=0.0, reported_nm=0.0)
        elif 3000 <= ms < 3300:
            heard = 100.0 if ms >= 3010 else None
            actual = 100.0 if ms >= 3050 else 200.0
            told = 100.0 if ms >= 3060 else 200.0
            truth = replace(
                truth, requested_nm=100.0, heard_nm=heard, actual_nm=actual, reported_nm=told, acknowledged=ms >= 3030
            )
        elif ms >= 4000:
            truth = replace(truth, actual_nm=-40.0, reported_nm=-40.0)
        out.append(truth)
    return out


def _failed(trace: Sequence[Truth]) -> set[str]:
    return {c.name for c in judge_samples(trace) if c.status == "fail"}


def test_a_run_without_fault() -> None:
    assert _failed(_run()) == set()
    assert [c.status for c in judge_samples([])] == ["fail"]


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("heard by the donor", lambda t: replace(t, heard_nm=None)),
        ("acted on", lambda t: replace(t, actual_nm=max(t.actual_nm, 180.0)) if t.requested_nm else t),
        ("never above maximum", lambda t: replace(t, most_nm=t.actual_nm - 5)),
        (
            "never reported too low",
            lambda t: replace(t, reported_nm=None if t.reported_nm is None else t.reported_nm - 20),
        ),
        ("after the request", lambda t: replace(t, acknowledged=False)),
        ("after the request", lambda t: replace(t, acknowledged=t.time_ns > 5000 * MS)),
        ("torque reported", lambda t: replace(t, reported_nm=max(t.reported_nm or 0.0, 0.0))),
        ("torque reported", lambda t: replace(t, reported_nm=50.0) if not t.running else t),
    ],
)
def test_what_goes_wrong_is_named(name: str, change: object) -> None:
    assert name in _failed([change(t) for t in _run()])  # type: ignore[operator]


def test_a_limit_cycle_is_named() -> None:
    trace = [
        replace(t, requested_nm=100.0, heard_nm=100.0) if t.time_ns // MS % 300 < 100 and t.running else t
        for t in _run()
    ]
    assert "no limit cycle" in _failed(trace)


def _demo_checks(tmp_path: Path, text_from: str = "", text_to: str = "", seconds: float = 27.0) -> list[Check]:
    (tmp_path / "signal_maps").mkdir()
    write_demo_papers(tmp_path)
    if text_from:
        text = (tmp_path / "bridge.toml").read_text()
        assert text_from in text
        (tmp_path / "bridge.toml").write_text(text.replace(text_from, text_to))
    plan = compile_bridge(tmp_path / "bridge.toml").plan
    legs, total = [], 0.0
    for leg in loop_script():
        if total < seconds:
            legs.append(leg)
            total += leg.seconds
    return judge_round_trip(plan, partial(Translator, plan), DemoSwap(legs))


def test_the_demo_in_a_closed_loop(tmp_path: Path) -> None:
    checks = _demo_checks(tmp_path)
    assert [c for c in checks if c.status == "fail"] == []
    requests = next(c for c in checks if c.name == "heard by the donor")
    assert not requests.measured.startswith("0 of 0"), "the transmission asked at least once"


def test_a_request_that_is_never_passed_on_fails_the_loop(tmp_path: Path) -> None:
    """Fourteen seconds have two requests; the sound plan above is heard at both."""
    checks = _demo_checks(tmp_path, 'value = "host.TransRequest.RequestActive"', 'value = "false"', seconds=14.0)
    assert {c.name for c in checks if c.status == "fail"} >= {"heard by the donor", "after the request"}
    heard = next(c for c in checks if c.name == "heard by the donor")
    assert heard.measured.startswith("0 of 2 requests")
