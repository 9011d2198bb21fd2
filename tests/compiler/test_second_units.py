"""psi and lbf ft have constants of 16 digits: what is made of them is not refused, not wrong, and is told."""

from __future__ import annotations

import pytest

from tests.compiler.kit import HEAD, compile_text
from tests.compiler.twins import same_payloads

PRESSURE = (
    HEAD
    + """
[[messages]]
send = "host.EngineMux"
mux = [2]
period_ms = 20
[messages.signals]
Oil = {{ value = "clamp({}, 0 kPa, 1000 kPa)", fallback = "0 kPa" }}
Volts = {{ value = "clamp(donor.PCM_MUX.Volts, 0 V, 25 V)", fallback = "0 V" }}
"""
)
TORQUE = (
    HEAD
    + """
[[messages]]
send = "host.EngineTorque"
rest = "zero"
[messages.signals]
Actual = {{ value = "clamp({}, -500 Nm, 1546 Nm)", fallback = "not available" }}
"""
)
CASES = [
    (PRESSURE, "lowpass({0} + 3 psi, 1 s)"),
    (PRESSURE, "rate_limit({0}, 5 psi, 2 kPa)"),
    (PRESSURE, "choose(hysteresis({0} + 2 psi, 30 psi, 20 psi), {0}, 3 psi)"),
    (PRESSURE, "first_valid(lowpass({0} + 2 psi, 0.3 s), 4 psi)"),
    (PRESSURE, "rate_limit(lowpass({0} + 3 psi, 1 s) - 2 psi, 10 psi)"),
    (PRESSURE, "lowpass(({0} + 3 psi) / 1 psi, 1 s) * 1 psi"),
    (TORQUE, "lowpass({1} + 3 lbf ft, 0.2 s)"),
    (TORQUE, "rate_limit({1} + 0.5 * {1} + 3 lbf ft, 900 lbf ft, 400 Nm)"),
]


@pytest.mark.parametrize(("text", "value"), CASES)
def test_a_second_unit_is_taken_and_says_so(text: str, value: str) -> None:
    bridge = text.format(value.format("donor.PCM_SLOW.Oil", "donor.PCM_FAST.Tq"))
    fields = [f for s in compile_text(bridge).plan.sends for v in s.variants for f in v.fields]
    assert "31 bits" in next(f for f in fields if f.name in ("Oil", "Actual")).note
    assert same_payloads(bridge, 1, 250) > 5
