"""'Invalid' wherever a value may stand: it is never sent as the number 0, and compiler and reference say so alike.

The answers expected here are written by hand: the two once agreed on a mistake.
"""

from __future__ import annotations

import pytest

from swapbridge.core.errors import RefusedError
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import SignalMap
from tests.compiler.kit import DONOR, HEAD, HOST, compile_text
from tests.compiler.test_refusals import with_signal
from tests.compiler.twins import same_payloads

RULE = (
    HEAD
    + """
[sources."donor.PCM_FAST"]
verify = false
[[messages]]
send = "host.EngineStatus"
rest = "zero"
[messages.signals]
Temp = {{ value = "{value}", fallback = 99 }}
"""
)
OFF, CRANK, IDLE, DRIVE = range(4)


def temp(value: str, mode: int, rpm: int = 4000) -> int:
    """What Temp says for a raw mode and engine speed."""
    translator = Translator(compile_text(RULE.format(value=value)).plan)
    data = bytes([rpm >> 8, rpm & 255, 0, 0, mode << 1, 0, 0, 0])
    translator.on_frame(0, 0x100, data, 0)
    translator.on_frame(0, 0x300, bytes([0, 0, 0, 0, 0, 0, 0, 0]), 0)
    out = -1
    for now in range(0, 41_000, 10_000):
        for _ in range(20):
            frame = translator.poll(now)
            if frame is not None and frame.word == 0x200:
                out = frame.data[2]
    return out


MODE = "donor.PCM_FAST.Mode"
CASES = [
    # value, mode, what is sent (99 is the fallback)
    (f"lookup({MODE}, 'Crank': invalid, else 5)", CRANK, 99),
    (f"lookup({MODE}, 'Crank': invalid, else 5)", IDLE, 5),
    (f"lookup({MODE}, 'Crank': 7, else invalid)", CRANK, 7),
    (f"lookup({MODE}, 'Crank': 7, else invalid)", DRIVE, 99),
    (f"lookup({MODE}, 'Crank': 7, 'Idle': invalid)", IDLE, 99),
    (f"lookup({MODE}, 'Crank': 7, 'Idle': invalid)", OFF, 99),
    (f"lookup({MODE}, 'Crank': 7, 'Idle': within(40, 0, 20), else 3)", IDLE, 99),
    (f"lookup({MODE}, 'Crank': 7, 'Idle': within(12, 0, 20), else 3)", IDLE, 12),
    (f"lookup({MODE}, 'Off': invalid, 'Crank': invalid, 'Idle': invalid, 'Drive': invalid)", IDLE, 99),
    (f"choose({MODE} == 'Idle', invalid, 4)", IDLE, 99),
    (f"choose({MODE} == 'Idle', invalid, 4)", CRANK, 4),
    (f"first_valid(lookup({MODE}, 'Crank': invalid, else 5), 6)", CRANK, 6),
    (f"max(lookup({MODE}, 'Crank': invalid, else 5), 6)", CRANK, 99),
    ("invalid", IDLE, 99),
]


@pytest.mark.parametrize(("value", "mode", "expected"), CASES)
def test_sent_value(value: str, mode: int, expected: int) -> None:
    assert temp(value, mode) == expected


@pytest.mark.parametrize("value", sorted({value for value, _, _ in CASES if "donor" in value}))
def test_the_exact_reference_agrees(value: str) -> None:
    assert same_payloads(RULE.format(value=value), 2, 400) > 5


@pytest.mark.parametrize(
    "value",
    [
        "table(donor.PCM_SLOW.Ratio, 0: invalid, 100: 50)",
        "table(donor.PCM_SLOW.Ratio, invalid: 1, 100: 50)",
        "choose(hysteresis(donor.PCM_SLOW.Ratio, invalid, 5), 1, 2)",
        "rate_limit(donor.PCM_SLOW.Ratio, invalid)",
        "round_to(donor.PCM_SLOW.Ratio, invalid)",
        "delay(donor.PCM_SLOW.Ratio, invalid * 1 s)",
        f"lookup({MODE}, invalid: 1, else 2)",
    ],
)
def test_where_a_constant_must_be_one_it_is_refused(value: str) -> None:
    with pytest.raises(RefusedError, match=r"not valid|constants"):
        compile_text(RULE.format(value=value))


def test_a_percentage_of_a_reference_that_went_silent_is_not_valid() -> None:
    """Compiler and reference both once looked at the torque's source only."""
    host: SignalMap = with_signal(HOST, "EngineTorque", "Pedal", role="friction_torque", maximum=None, minimum=None)
    text = (
        HEAD
        + """
[sources."donor.PCM_MUX"]
max_age_ms = 60
[[messages]]
send = "host.EngineTorque"
[messages.signals]
Actual = "0 Nm"
Pedal = { value = "donor.PCM_SLOW.Ratio * 0.2 Nm", reference = "ref", fallback = "7 %" }
[values]
ref = "100 Nm + donor.PCM_MUX.Volts / 1 V * 1 Nm"
"""
    )
    translator = Translator(compile_text(text, DONOR, host).plan)
    said = []
    for now in range(0, 300_000, 10_000):
        translator.on_frame(0, 0x300, bytes([0, 0, 0, 0, 0, 0, 0, 100]), now)
        if now < 100_000:
            translator.on_frame(0, 0x18FF0010 | 1 << 31, bytes([1, 0, 0, 0, 0, 0, 0, 0]), now)
        while translator.next_poll(now) == now:
            frame = translator.poll(now)
            if frame is not None and frame.word == 0x110:
                said.append(frame.data[2])
    assert said[5] == 40
    assert said[-1] == 14
    assert same_payloads(text, 3, 600, DONOR, host) > 5


AT_ITS_LIMIT = f"within(clamp(lookup({MODE}, 'Off': 60 psi, else 2.5 kPa), 3 kPa, 20 psi), 3 kPa, 20 kPa)"


def test_what_a_clamp_left_at_a_limit_is_within_that_limit() -> None:
    # 60 psi makes every number of this rule one of more than 31 bits, so that nearby ones are used
    rule = HEAD + '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\n'
    rule += f'Temp = {{ value = "choose(valid({AT_ITS_LIMIT}), 7, 8)", fallback = 99 }}\n'
    for text in (rule, RULE.format(value=f"choose(valid({AT_ITS_LIMIT}), 7, 8)")):
        assert same_payloads(text, 3, 300) > 5
    assert temp(f"choose(valid({AT_ITS_LIMIT}), 7, 8)", IDLE) == 7
    assert temp(f"choose(valid({AT_ITS_LIMIT}), 7, 8)", OFF) == 8
