"""Findings as JSON that any reader takes: RFC 8259 has no number for infinity or not-a-number."""

from __future__ import annotations

import json
import math

from swapbridge.core.layout import Layout
from swapbridge.guessing.findings import Findings, FoundField, FoundMessage


def test_what_is_no_number_becomes_null() -> None:
    found = FoundField(
        "field_0_8",
        Layout(0, 8),
        "analogue",
        0.9,
        0.9,
        evidence={"margin_bits": math.inf, "words": "no rival", "r2": 0.5, "lags": [math.nan, 0.1]},
        alternatives=({"score": -math.inf},),
    )
    message = FoundMessage(0x1A0, False, "0", 8, math.nan, 1, (found,))
    text = json.dumps(Findings((message,), channels={"speed": {"noise": math.nan}}).to_dict(), allow_nan=False)
    read = json.loads(text)["messages"][0]
    assert read["period_ms"] is None
    assert read["signals"][0]["evidence"] == {"margin_bits": None, "words": "no rival", "r2": 0.5, "lags": [None, 0.1]}
    assert read["signals"][0]["alternatives"] == [{"score": None}]
