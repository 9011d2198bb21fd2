"""A bridge written naively meets all its independent refusals in one run, grouped, the worst first."""

from __future__ import annotations

import re

import pytest

from swapbridge.language.bridge_file import BridgeRefused
from tests.compiler.kit import HEAD, compile_text

NAIVE = (
    HEAD
    + """
[[messages]]
send = "host.EngineStatus"
[messages.signals]
Speed = "donor.PCM_FAST.RPM * 4"
Temp = "donor.PCM_SLOW.Coolant"
Lamp = "donor.PCM_FAST.RPM < 300 rpm"

[[messages]]
send = "host.EngineTorque"
[messages.signals]
Actual = "clamp(donor.PCM_FAST.Tq, -500 Nm, 300 Nm)"
Pedal = "donor.PCM_FAST.Peda"

[[messages]]
send = "host.Nothing"
[messages.signals]

[[messages]]
send = "donor.VSC_D"
rest = "zero"
[messages.signals]
Reduce = { value = "host.Wheels.Reduce", fallback = "0 Nm" }
Brake = "false"
"""
)


def test_every_independent_refusal_in_one_run() -> None:
    with pytest.raises(BridgeRefused) as caught:
        compile_text(NAIVE)
    text = str(caught.value)
    for words in (
        "host.EngineStatus.Speed: (donor.PCM_FAST.RPM * 4) goes from 0 to 65534 rpm, the signal from 0 to 8191.75 rpm; "
        "clamp it: clamp(..., 0 rpm, 8191.75 rpm)",
        "temperature (degC) can't be used as a plain number",
        "it is a warning (malfunction_lamp) made from donor.PCM_FAST.RPM",
        "host.EngineStatus.State: it has no line",
        "an actual torque up to 650 Nm would be reported as 300 Nm at most",
        "no signal 'Peda'; did you mean Pedal?",
        "bus host has no message 'Nothing'",
        "host.EngineStatus.Running: it has no line",
        "an invented status of a braking module is never sent",
        "a torque or throttle request needs limits",
    ):
        assert words in text, words
    lines = text.splitlines()
    assert lines[0] == f"{len(re.findall('bridge.toml:', text))} things are refused, the worst first"
    heads = [line for line in lines if line.endswith(":") and not line.startswith(" ")]
    assert heads == [
        "Dangerous, or would break a module:",
        "Can't be done as written:",
        "Still missing:",
    ]
    assert lines.index(heads[1]) > next(n for n, line in enumerate(lines) if "an actual torque up to" in line)
    assert all(re.match(r"  bridge\.toml:\d+:\d+: .+; .+", line) for line in lines if line.startswith("  "))


def test_one_refusal_stays_one_sentence() -> None:
    with pytest.raises(BridgeRefused) as caught:
        compile_text(HEAD + '[[messages]]\nsend = "host.Nothing"\n')
    assert "\n" not in str(caught.value)
