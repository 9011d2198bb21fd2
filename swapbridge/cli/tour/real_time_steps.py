"""Command line: the tour's two steps in real time, on virtual buses: a guided recording and a live run."""

from __future__ import annotations

import numpy as np

from swapbridge.bus.recording.script import parse_script
from swapbridge.bus.rehearsal.rehearsal import rehearse_recording
from swapbridge.bus.running.live import LiveOptions
from swapbridge.bus.running.proof_file import ruling_beside
from swapbridge.bus.running.run import RunRequest, run
from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.cli.tour.tour_steps import Tour
from swapbridge.demo.folder import HOST_RUNNING
from swapbridge.plan.python.translator import Translator
from swapbridge.plan.serialise import plan_from_json

SECONDS = 1.6
MIDDLE_S = 30.0
"""The captures begin asleep; half a minute later everything speaks."""

SHORT_SCRIPT = """
[[step]]
name = "brake"
say = "Foot brake: press, hold, release."
seconds = 0.5
times = 2
quiet_s = 0.2
set = [{ at_s = 0, channel = "brake", value = 1 }, { at_s = 0.25, channel = "brake", value = 0 }]
"""


def record_live(tour: Tour) -> None:
    """A short real recording: the guided script beside a bus that plays the host."""
    with tour.step("Record live", "recording a virtual bus in real time") as (lines, report):
        report(0.1, "the script asks for the brake")
        steps = parse_script(SHORT_SCRIPT, "the tour's script")
        out = tour.folder.path / "live" / "guided.log"
        done = rehearse_recording(_middle(tour, HOST_RUNNING), out, steps, seconds=SECONDS, name="host")
        bus = done.buses["host"]
        lines.append(f"{bus.frames:,} frames in {done.seconds:.1f} s, lost {done.lost}; listening only: {out.name}")
        if done.stimulus_file is not None:
            track = read_stimulus(done.stimulus_file)
            presses = int(track.channels["brake"].value.sum()) if "brake" in track.channels else 0
            lines.append(f"the script marked {presses} brake presses in {done.stimulus_file.name}")


def run_live(tour: Tour) -> None:
    """A short live run: the host's recording on one virtual bus, the translator's frames on both."""
    with tour.step("Run live", "running the plan in real time") as (lines, report):
        report(0.1, "the host is a recording")
        plan_file = tour.folder.plan
        plan = plan_from_json(plan_file.read_text(encoding="utf-8"))
        request = RunRequest(
            plan=plan,
            buses=(),
            options=LiveOptions(sending=True, watch_first_s=0.2, lag_limit_s=1.0, black_box_minutes=0.2),
            proof=ruling_beside(plan, plan_file),
            folder=tour.folder.path / "live",
            unproved=True,  # the verdict stands above; these buses have no wires
            acknowledged=True,
            against=_middle(tour, HOST_RUNNING),
            against_bus="host",
            seconds=SECONDS,
        )
        done = run(request, Translator(plan))
        heard = sum(bus.received for bus in done.status.buses)
        sent = sum(bus.sent for bus in done.status.buses)
        lines.append(f"{heard:,} frames heard, {sent:,} sent; worst lag {done.status.worst_lag_ms:.1f} ms")
        lines.append(f"ended with fallbacks; black box: live/{done.black_boxes[-1].name}" if done.black_boxes else "")


def _middle(tour: Tour, name: str) -> Capture:
    capture = tour.captures[name]
    begin = int(capture.time_ns[0]) + round(MIDDLE_S * 1e9)
    return capture.select(np.flatnonzero(capture.time_ns >= begin))
