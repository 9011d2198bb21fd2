"""Bus room: a recording without a vehicle: a capture plays on a virtual bus, a patient hand follows the script."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from swapbridge.bus.adapters.can_messages import frames_in, playable
from swapbridge.bus.adapters.opening import open_buses
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.bus.recording.record import Press, RecordStatus, record
from swapbridge.bus.recording.recorder import RecordReport
from swapbridge.bus.recording.script import Phase, ScriptStep, View
from swapbridge.bus.running.replay import Player
from swapbridge.capture.capture import Capture


def rehearse_recording(
    capture: Capture,
    out: Path,
    script: Sequence[ScriptStep],
    *,
    seconds: float,
    name: str = "bus",
    show: Callable[[RecordStatus], None] | None = None,
) -> RecordReport:
    """Record what a capture plays on a virtual bus, in real time, every step of the script begun as it is shown.

    Parameters
    ----------
    capture : Capture
        Its first `seconds` are played, all its buses onto one.
    out : Path
        As for `record`.
    seconds : float
        When it ends, whether the script is done or not.
    name : str
        What the bus is called in the recording.
    """
    spec = BusSpec(name, "virtual", f"rehearsal-{uuid.uuid4().hex[:12]}", {"bitrate": 500_000})
    frames = playable(capture)
    first = int(frames.time_ns[0]) if len(frames) else 0
    frames = frames.select(frames.time_ns < first + round(seconds * 1e9))
    stop = threading.Event()

    def hand(view: View | None) -> Iterable[Press]:
        if view is not None and view.phase is Phase.READY:
            return [Press("next")]
        return [Press("quit")] if view is not None and view.phase is Phase.DONE else []

    with open_buses([spec], active=True) as buses:
        player = Player({int(number): buses[name] for number in np.unique(frames.bus)}, 1.0, stop)
        thread = threading.Thread(target=player.play, args=(frames_in(frames), first), daemon=True)

        def begin(status: RecordStatus) -> None:
            if not thread.ident:
                thread.start()
            if show is not None:
                show(status)

        try:
            return record([spec], out, seconds=seconds, script=script, keys=hand, show=begin)
        finally:
            stop.set()
            if thread.ident:
                thread.join(timeout=2.0)
