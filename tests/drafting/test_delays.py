"""An echo's delay planted in a recording is found again, and none where there is none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.drafting.delays import delayed, find_delay
from swapbridge.drafting.draft import draft
from swapbridge.drafting.draft_text import bridge_text
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.explain.kit import kit_for
from swapbridge.drafting.recorded_vehicle import VehicleSeries
from swapbridge.drafting.recordings import open_swap
from tests.drafting.rig import Drive, recordings


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 1000), late=st.integers(4, 80), period=st.sampled_from([0.01, 0.02, 0.05]),
    step=st.sampled_from([1.0, 0.0]),
)  # fmt: skip
def test_a_planted_delay_is_found_again(seed: int, late: int, period: float, step: float) -> None:
    rng = np.random.default_rng(seed)
    begins = np.cumsum(rng.uniform(1.2, 4.0, 40))
    values = np.arange(40) % 2 if step else rng.integers(0, 200, 40)
    source = VehicleSeries(begins, values.astype(float))
    times = np.arange(begins[0] + 2, begins[-1], period) + rng.uniform(0, period)
    found = find_delay(source, times, source.at(times - late / 100))
    assert found == pytest.approx(late / 100, abs=0.5 * period + 0.011)


@given(seed=st.integers(0, 1000), period=st.sampled_from([0.01, 0.02, 0.1]))
def test_what_follows_at_once_has_none(seed: int, period: float) -> None:
    rng = np.random.default_rng(seed)
    begins = np.cumsum(rng.uniform(1.2, 4.0, 40))
    source = VehicleSeries(begins, (np.arange(40) % 2).astype(float))
    times = np.arange(begins[0] + 2, begins[-1], period) + rng.uniform(0, period)
    assert find_delay(source, times, source.at(times)) == 0.0
    noise = rng.integers(0, 2, len(times)).astype(float)
    assert find_delay(source, times, noise) == 0.0


@pytest.mark.long
def test_a_draft_writes_the_delay_of_an_echo_and_compiles() -> None:
    def late(d: Drive, t: Any) -> Any:
        return d.at(d.compressor, np.maximum(t - 0.3, 0))

    captures, tracks = recordings({Layout(40, 1): late})
    swap, _ = open_swap(captures, tracks)
    made = draft(swap)
    (one,) = (f for m in made.messages if m.bus == "host" for f in m.fields if 40 in f.layout.positions)
    assert one.how in ("echo", "copy"), one
    assert one.value.startswith("delay(host.M_210.")
    assert 0.2 < float(one.value.split(", ")[-1].removesuffix(" ms)")) / 1000 < 0.36
    assert one.value in bridge_text(swap, made, "late")
    kit = kit_for(swap, "host")
    message = swap.host.messages[0x110, False]
    again = Explained(one.layout, "again", "copy", 0.9, "host.M_210.f_5_1 == 1", "0", "status")
    assert delayed(kit, message, again).value == f"delay({again.value}, {one.value.split(', ')[-1]}"
