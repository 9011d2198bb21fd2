"""Prove room: a plan on CAN FD buses from end to end: long payloads, reference, judges, faults."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import BIT_RATE_SWITCH, FD, Capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.can_bits import fd_frame
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import set_up, simulate
from swapbridge.proving.faults.campaign import CampaignInputs, FaultTask, run_fault
from swapbridge.proving.prove import prove
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.proving import mutations, small_swap

LONG = 24
FAR = """
Far = { value = "donor.SLOW.Coolant", fallback = "411 degC", role = "value" }
"""
DATA_RATE = 2_000_000


def _bridge() -> Any:
    text = small_swap.BRIDGE.replace("bit_rate = 500000", f"bit_rate = 500000\nfd = true\ndata_rate = {DATA_RATE}")
    return small_swap.bridge(text.replace('Lamp = "donor.SLOW.Lamp"', f'Lamp = "donor.SLOW.Lamp"{FAR}'))


def _maps() -> dict[str, SignalMap]:
    """The host's temperatures in a frame of 24 bytes with a signal far behind the classic 8."""
    maps = small_swap.maps()
    far = MapSignal("Far", Layout(8 * 20 + 3, 11), offset=Fraction(-100), scale=Fraction(1, 4), unit="degC")

    def one(message: MapMessage) -> MapMessage:
        message = replace(message, is_fd=True)
        if message.name != "TEMPS":
            return message
        return replace(message, length=LONG, signals=(*message.signals, far))

    return {bus: replace(m, messages=tuple(one(message) for message in m.messages)) for bus, m in maps.items()}


def _captures(seconds: float) -> dict[str, Capture]:
    out = {}
    for bus, capture in small_swap.captures(seconds).items():
        payload = np.pad(capture.payload, ((0, 0), (0, 56)))
        temps = capture.identifier == 0x280
        length = np.where((capture.identifier == 0x280) & (bus == "host"), LONG, capture.length).astype(np.uint8)
        if bus == "host":
            raw = np.arange(int(temps.sum())) % 400 + 500
            payload[temps, 20] = (raw << 3) & 0xFF
            payload[temps, 21] = raw >> 5
        flags = capture.flags | np.uint8(FD | BIT_RATE_SWITCH)
        out[bus] = replace(capture, payload=payload, length=length, flags=flags)
    return out


@pytest.fixture(scope="module")
def parts() -> tuple[Plan, Any, dict[str, SignalMap], dict[str, Capture]]:
    bridge, maps = _bridge(), _maps()
    return compile_bridge(bridge, maps).plan, bridge, maps, _captures(6.0)


def test_a_sound_fd_plan_passes_and_sends_long_frames(parts: Any) -> None:
    plan, bridge, maps, captures = parts
    verdict = prove(plan, captures, bridge, maps, thoroughness="none")
    # the old sender's far bytes are empty in these recordings, which its own words can't match
    assert [c for c in verdict.checks if c.status == "fail" and c.area != "own words"] == []
    assert any(c.subject == "host.TEMPS.Far" and c.status == "pass" for c in verdict.checks)
    run = simulate(set_up(plan, captures), partial(Translator, plan))
    temps = [s for s in run.device.sent if s.word == 0x280]
    assert {len(s.data) for s in temps} == {LONG}
    assert any(s.data[20] or s.data[21] for s in temps)


def test_a_long_frame_takes_as_long_as_the_standard_says(parts: Any) -> None:
    """Arbitration at 500 kbit/s, the data phase at 2 Mbit/s: by the bit-by-bit encoder."""
    plan, _, _, captures = parts
    run = simulate(set_up(plan, captures), partial(Translator, plan))
    data = bytes(range(LONG))
    frame = fd_frame(0x280, False, data, True)
    assert frame.fast_bits > 8 * LONG
    assert run.buses[1].frame_ns(0x280, data) == 2_000 * frame.slow_bits + 500 * frame.fast_bits


@pytest.mark.parametrize("by", [-1, 1])
def test_a_defect_far_in_a_long_payload_is_caught(parts: Any, by: int) -> None:
    plan, bridge, maps, captures = parts
    wrong = mutations.field_changed(
        plan, "host.TEMPS", "Far", lambda f: replace(f, layout=replace(f.layout, start=f.layout.start + by))
    )
    verdict = prove(wrong, captures, bridge, maps, thoroughness="none")
    assert any(c.status == "fail" and c.subject.startswith("host.TEMPS") for c in verdict.checks)


@pytest.mark.parametrize("name", ["source bus silent", "bits flipped", "power cut", "values at their ends"])
def test_faults_on_fd_buses(parts: Any, name: str) -> None:
    plan, bridge, maps, _ = parts
    inputs = CampaignInputs(set_up(plan, _captures(9.0)), bridge, maps, partial(Translator, plan))
    assert run_fault(inputs, FaultTask((name,), 8, 3)).problems == ()
