"""The judge of drafts and the worlds it judges them on: a lamp may be late, and no field is cut off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.drafting.judged import dark
from tests.drafting.worlds import Awkward, Field, Message, Truth, network

TIMES = np.arange(0, 60, 0.1)
DUE = (TIMES % 10 >= 5) & (TIMES % 10 < 7)


def missed(sent: npt.NDArray[np.bool_], later_s: float = 0.0) -> float:
    """What is judged missed of an oil lamp that is due for 2 s in every 10."""
    lamp = Field("oil_lamp", "threshold", "step", 1, lambda c: c["oil_lamp"], positions=(0,))
    message = Message(0x100, "engine", 0.1, "key", (lamp,), bytes(1))
    truth = Truth(message, TIMES, DUE.astype(np.uint8)[:, None])
    return dark(truth, TIMES + later_s, sent.astype(np.uint8)[:, None])


@pytest.mark.parametrize("later_s", [0.0, 0.01, 0.1, 0.25])
def test_lamp_that_lights_and_goes_out_late_is_not_missed(later_s: float) -> None:
    """It stays lit until the real one is out: it was held to be dark in the last 0.3 s of every warning."""
    assert missed(DUE, later_s) == 0


def test_lamp_that_is_dark_while_it_is_due_is_missed() -> None:
    """Dark for good, lit too late, out too early, blinking: one delay excuses none of them."""
    frames = np.arange(len(TIMES))
    assert missed(np.zeros(len(TIMES), bool)) == 1
    assert missed(DUE, later_s=1.0) == pytest.approx(0.35, abs=0.03)
    assert missed(DUE & np.roll(DUE, -10)) == pytest.approx(0.5, abs=0.03)
    assert missed(DUE & np.roll(DUE, 5) & np.roll(DUE, -5)) >= 0.35
    assert missed(DUE & (frames % 2 == 0)) == pytest.approx(0.5, abs=0.03)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 100_000), varied=st.booleans(), donor=st.booleans())
def test_no_field_of_a_world_is_cut_off(seed: int, varied: bool, donor: bool) -> None:
    """Every field has all its bits, each its own: a coolant of 5 of its 8 bits began anew at 32."""
    for message in network(np.random.default_rng(seed), replace(Awkward(), varied=varied), donor=donor):
        assert all(len(f.positions) == f.length for f in message.fields)
        bits = [p for f in message.fields for p in f.positions]
        assert len(set(bits)) == len(bits)
        assert max(bits, default=0) < 8 * message.length
