"""The invented swap as a closed loop, with a perfect translator standing between the buses."""

from __future__ import annotations

from swapbridge.demo.closed_loop import DONOR, HOST, DemoFrame, DemoSwap, LoopSample
from swapbridge.demo.encode import FrameMaker
from swapbridge.demo.vehicle_maps import REFERENCE_NM, donor_map, host_map


def perfect_translator(frame: DemoFrame, makers: dict[str, FrameMaker]) -> list[tuple[str, int, bytes]]:
    """By hand, for this test only: engine speed, torque and pedal one way, the torque request the other way."""
    source = (host_map() if frame.bus == HOST else donor_map()).by_word(frame.word)
    assert source is not None
    values = {s.name: float(s.physical(s.layout.unpack(frame.data))) for s in source.signals if s.mux_signal is None}
    target, say = "", {}
    if source.name == "PCM_FAST":
        target, bus = "EngineData", HOST
        say = {
            "EngineSpeed": values["RPM"],
            "ActualTorque": values["ActualTorque"] * REFERENCE_NM / 100,
            "ReductionAck": values["ReductionAck"],
        }
    elif source.name == "PCM_PEDAL":
        target, bus, say = "PedalData", HOST, {"Pedal": values["Pedal"]}
    elif source.name == "TransRequest":
        target, bus = "TCU_REQUEST", DONOR
        percent = min(144.0, values["TorqueRequest"] * 100 / REFERENCE_NM)
        say = {"TorqueRequest": percent, "RequestActive": values["RequestActive"]}
    if not target:
        return []
    maker = makers[target]
    return [(bus, maker.message.word, maker.frame(say))]


def run(connected: bool) -> list[LoopSample]:
    swap = DemoSwap()
    maps = {m.name: m for signal_map in (host_map(), donor_map()) for m in signal_map.messages}
    makers = {name: FrameMaker(maps[name]) for name in ("EngineData", "PedalData", "TCU_REQUEST")}
    for now in range(0, int(swap.seconds * 1e9), 2_000_000):
        for frame in swap.advance(now):
            for bus, word, data in perfect_translator(frame, makers) if connected else ():
                swap.receive(bus, word, data, now)
    return swap.trace


def test_loop_closes_through_a_translator() -> None:
    """Shifts ask for less torque, the engine gives it within 60 ms, and never more than it can."""
    trace = run(connected=True)
    assert max(s.speed_kmh for s in trace) > 60
    assert {s.gear for s in trace} >= {0, 1, 2, 3}
    asked = [i for i, s in enumerate(trace) if s.requested_nm is not None and trace[i - 1].requested_nm is None]
    assert len(asked) >= 3
    for i in asked:
        soon = trace[i : i + 40]
        wanted = trace[i].requested_nm
        assert wanted is not None
        assert any(s.acknowledged for s in soon)
        assert min(s.actual_nm for s in soon) < max(wanted * 1.15, wanted + 10)
    for s in trace:
        assert s.actual_nm <= s.most_nm + 1e-6 or not s.running
        assert s.actual_nm >= s.least_nm - 25 or not s.running
    told = [abs(s.reported_nm - s.actual_nm) for s in trace if s.reported_nm is not None and s.running]
    assert sorted(told)[len(told) // 2] < 1.0


def test_without_a_translator_nothing_crosses() -> None:
    """The engine runs, but the transmission hears nothing and the engine computer is asked for nothing."""
    trace = run(connected=False)
    assert any(s.running for s in trace)
    assert all(s.reported_nm is None and s.heard_nm is None and not s.acknowledged for s in trace)
