"""Bus room: a plan's translator in real time on python-can's virtual buses, for `prove` and the tour."""

from __future__ import annotations

import threading
import time
import uuid
from collections import Counter
from dataclasses import dataclass
from functools import partial

from swapbridge.bus.adapters.can_messages import frames_in, plan_bus_of, playable, without_planned, word_of
from swapbridge.bus.adapters.opening import close_bus, open_bus
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.bus.running.live import Live, LiveOptions
from swapbridge.bus.running.replay import Player
from swapbridge.capture.capture import Capture
from swapbridge.capture.python_can import can
from swapbridge.core.progress import Progress
from swapbridge.plan.plan import Plan
from swapbridge.plan.program import TranslatorLike
from swapbridge.plan.python.translator import Translator

SeenFrame = tuple[int, float, int, bytes]
"""Bus number in the plan, seconds since the first frame was played, identifier word, payload."""


@dataclass(frozen=True, slots=True)
class VirtualRun:
    """What came of a run on virtual buses.

    Attributes
    ----------
    frames : tuple of (bus, time_s, word, data)
        What the translator sent, in the order in which it came from the buses.
    lost : dict of (bus, word) to int
        Frames that were handed over and never came: this computer was too busy to send them in time. A defect of the
        translator or a refusal of the gate never counts here.
    """

    frames: tuple[SeenFrame, ...]
    lost: dict[tuple[int, int], int]


def virtual_check(
    plan: Plan,
    donor_capture: Capture,
    seconds: float,
    *,
    from_bus: str | None = None,
    translator: TranslatorLike | None = None,
    progress: Progress | None = None,
) -> VirtualRun:
    """Play the first `seconds` of a capture to a live translator on virtual buses: what it sent, what was lost.

    The same threads, gate and queues as in a vehicle; only the buses have no wires.

    Frames of the capture that the plan sends itself are not played: their modules are those that it stands in for.

    Parameters
    ----------
    plan : Plan
        The plan to run.
    donor_capture : Capture
        Buses named as in the plan, or one bus (see `plan_bus_of`).
    seconds : float
        Real time that this takes, in s.
    from_bus : str or None
        The plan's bus on which a capture of one bus was recorded.
    translator : TranslatorLike or None
        A new translator of the plan; the Python one when None.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.

    Returns
    -------
    VirtualRun
    """
    specs = [BusSpec(bus.name, "virtual", f"check-{bus.name}-{uuid.uuid4().hex[:12]}") for bus in plan.buses]
    where = plan_bus_of(plan, donor_capture, from_bus)
    frames = without_planned(plan, playable(donor_capture), where)
    first = int(frames.time_ns[0]) if len(frames) else 0
    frames = frames.select(frames.time_ns < first + round(seconds * 1e9))
    openers = {spec.name: partial(open_bus, spec, active=True) for spec in specs}
    live = Live(
        plan,
        translator or Translator(plan),
        openers,
        LiveOptions(sending=True, watch_first_s=0.0, lag_limit_s=1.0, black_box_minutes=0.1),
    )
    stop = threading.Event()
    heard: list[SeenFrame] = []
    ears = [open_bus(spec, active=True) for spec in specs]
    mouths = {number: open_bus(specs[to], active=True) for number, to in where.items()}
    began = time.monotonic()
    threads = [
        threading.Thread(target=_hear, args=(number, bus, heard, stop, began, plan), daemon=True)
        for number, bus in enumerate(ears)
    ]
    try:
        live.start()
        for thread in threads:
            thread.start()
        player = Player(mouths, 1.0, stop)
        player.play(
            frames_in(frames),
            first,
            None if progress is None else lambda at: progress((at - first) / 1e9 / seconds, "in real time"),
        )
        left = began + seconds - time.monotonic()
        if left > 0:
            time.sleep(left)
    finally:
        live.stop()
        stop.set()
        for thread in threads:
            thread.join(timeout=2.0)
        for bus in (*ears, *mouths.values()):
            close_bus(bus)
    came = Counter((bus, word) for bus, _, word, _ in heard)
    lost = {key: count - came[key] for key, count in live.handed_over().items() if count > came[key]}
    return VirtualRun(tuple(heard), lost)


def _hear(
    number: int, bus: can.BusABC, heard: list[SeenFrame], stop: threading.Event, began: float, plan: Plan
) -> None:
    planned = {send.word for send in plan.sends if send.bus == number}
    while not stop.is_set():
        message = bus.recv(0.05)
        if message is not None and word_of(message) in planned:
            heard.append((number, time.monotonic() - began, word_of(message), bytes(message.data)))
