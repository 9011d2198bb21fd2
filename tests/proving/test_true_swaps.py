"""Prove room: correct swaps of invented vehicles pass; who answers a challenge is not asked to be supplied."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.needs import LICENSED, Need
from swapbridge.proving.bench.bench import set_up
from swapbridge.proving.judges.behaviour.coverage import board
from swapbridge.proving.verdict import Verdict
from tests.proving import mistakes, small_swap
from tests.proving.mistakes import verdict_of
from tests.proving.true_swaps import true_swap

MS = 1_000_000
EXTRA = 0x5E9


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [500, 501])
def test_a_correct_swap_passes(seed: int, tmp_path: Path) -> None:
    """States finer than engine speed, lamps lit at 0, totals, numbers without unit, an immobiliser's answer."""
    verdict = verdict_of(true_swap(seed)[0], tmp_path)
    assert isinstance(verdict, Verdict), verdict
    assert verdict.outcome == "PASSED", verdict.worst
    assert len([*verdict.with_status("warn"), *verdict.with_status("habit")]) <= 3


TRUE_MISTAKES: Mapping[str, mistakes.Change] = {
    "a turbine's scale a tenth too large": mistakes.signal("host.transmission_299.turbine", scale="0.275"),
    "second and third gear exchanged": mistakes.signal(
        "donor.transmission_5B2.gear", choices={7: "R", 2: "N", 6: "1", 0: "3", 5: "2", 1: "4"}
    ),
    "a request's scale a tenth too large": mistakes.signal("host.transmission_663.cut", scale="0.55", offset="-250"),
    "the left wheel from the right one": mistakes.text("host.brakes_341.fl", "host.brakes_341.fr"),
    "a copy of coolant from the intake": mistakes.text(
        '"clamp(donor.engine_67F.coolant, -40 degC, 215 degC)", fallback',
        '"clamp(donor.engine_67F.intake, -40 degC, 215 degC)", fallback',
    ),
    "lights from the idle flag": mistakes.text("host.body_2D3.lights", "donor.engine_468.idle"),
}
"""In the swap of seed 621. Nothing measured these; the vehicle's own work, or its old senders, tell."""


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_mistake_in_a_correct_swap_is_refused(tmp_path: Path) -> None:
    swap, _ = true_swap(621)
    known = mistakes.judged(swap, tmp_path)
    passed = [name for name, change in TRUE_MISTAKES.items() if not mistakes.refused_by(change(swap), tmp_path, known)]
    assert not passed


def _with_extra(capture: Capture, payloads: list[bytes], capture_of: Callable[..., Capture]) -> Capture:
    """A recording in which a message of one identifier more came at three wakes."""
    begin = int(capture.time_ns[0])
    rows = [(begin + wake * 2_000 * MS + n * 50 * MS, EXTRA, p) for wake, p in enumerate(payloads) for n in range(3)]
    more = capture_of(rows, bus_names=capture.bus_names)
    order = np.argsort(np.r_[capture.time_ns, more.time_ns], kind="stable")

    def both(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.concatenate([a, b])[order]

    return Capture(
        both(capture.time_ns, more.time_ns), both(capture.identifier, more.identifier),
        both(capture.flags, more.flags), both(capture.bus, more.bus), both(capture.length, more.length),
        both(capture.payload, more.payload[:, : capture.payload.shape[1]]), capture.bus_names, capture.source,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("payloads", "how", "status"),
    [
        ([b"\x01" * 8, b"\x52" * 8, b"\x93" * 8], LICENSED, "open"),
        ([b"\x01" * 8, b"\x01" * 8, b"\x01" * 8], LICENSED, "unproved"),
        ([b"\x01" * 8, b"\x52" * 8, b"\x01" * 8], LICENSED, "unproved"),
        ([b"\x01" * 8], LICENSED, "unproved"),
        ([b"\x01" * 8, b"\x52" * 8, b"\x93" * 8], "can", "unproved"),
    ],
)
def test_only_what_differs_at_every_wake_is_left_to_licensed_programming(
    payloads: list[bytes], how: str, status: str, capture_of: Callable[..., Capture]
) -> None:
    captures = dict(small_swap.captures(8.0))
    unplugged = captures["host"].select(np.flatnonzero(np.isin(captures["host"].identifier, [0x2F0, 0x0B4])))
    captures["host"] = _with_extra(captures["host"], payloads, capture_of)
    bridge, maps = small_swap.bridge(), small_swap.maps()
    bench = set_up(compile_bridge(bridge, maps).plan, captures)
    needs = [Need("body", "host", EXTRA, how=how)]
    _, checks = board(bench, bridge, maps, needs, {"host": unplugged}, [])
    assert [c.status for c in checks if c.name.startswith("5E9 ")] == [status]
