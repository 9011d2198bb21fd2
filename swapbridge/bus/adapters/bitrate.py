"""Bus room: finding a bus's bit rate by listening at each of the usual ones."""

from __future__ import annotations

import subprocess
import time
from dataclasses import dataclass, replace

from swapbridge.bus.adapters.listen import VIRTUAL_LINKS, has_wires, link_of
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import close_bus, open_bus
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.capture.python_can import can
from swapbridge.core.errors import BusError, InputError
from swapbridge.core.progress import Progress

USUAL_RATES = (500_000, 250_000, 125_000, 1_000_000, 100_000, 83_333, 95_238, 50_000, 33_333)
"""Bit rates of road vehicles, commonest first (common practice, no source)."""
GOOD_FRAMES = 5
"""Frames without errors between them that make a rate believable: a wrong rate yields errors, hardly ever a frame."""


@dataclass(frozen=True, slots=True)
class RateTry:
    """What was heard at one bit rate; `problem` says why it could not be tried."""

    bitrate: int
    frames: int
    errors: int
    problem: str = ""

    @property
    def believable(self) -> bool:
        """Enough frames, and far more of them than errors."""
        return self.frames >= GOOD_FRAMES and self.frames > 10 * self.errors


def find_bitrate(
    spec: BusSpec,
    *,
    seconds: float = 1.0,
    rates: tuple[int, ...] = USUAL_RATES,
    progress: Progress | None = None,
) -> list[RateTry]:
    """Listen at each rate in turn, listen-only, and stop at the first believable one.

    Parameters
    ----------
    spec : BusSpec
        Its own ``bitrate`` is not used.
    seconds : float
        How long to listen at each rate.

    Returns
    -------
    list of RateTry
        The last one is the believable one, if any is.

    Raises
    ------
    RefusedError
        The adapter can't listen without being able to disturb the bus.
    BusError
        A SocketCAN link can't be set (it takes the administrator's rights).
    """
    tries: list[RateTry] = []
    for number, rate in enumerate(rates):
        if progress is not None:
            progress(number / len(rates), f"{rate / 1000:g} kbit/s")
        with locked([spec] if has_wires(spec) else [], doing="a search for the bit rate"):
            tries.append(_listen(spec, rate, seconds))
        if tries[-1].believable:
            break
    return tries


def _listen(spec: BusSpec, rate: int, seconds: float) -> RateTry:
    try:
        if spec.interface == "socketcan":
            _set_link(spec.channel, rate)
        bus = _open(spec, rate)
    except (BusError, InputError) as error:
        if spec.interface == "socketcan":
            raise
        return RateTry(rate, 0, 0, str(error))
    frames = errors = 0
    end = time.monotonic() + seconds
    try:
        while time.monotonic() < end:
            try:
                message = bus.recv(0.05)
            except (can.CanError, OSError, ValueError):
                errors += 1
                continue
            if message is not None:
                errors += message.is_error_frame
                frames += not message.is_error_frame
    finally:
        close_bus(bus)
    return RateTry(rate, frames, errors)


def _open(spec: BusSpec, rate: int) -> can.BusABC:
    """Open at a rate; where the adapter does not know it, at the same one rounded as some adapters write it."""
    try:
        return open_bus(replace(spec, options={**spec.options, "bitrate": rate}), active=False)
    except (BusError, InputError):
        rounded = rate // 100 * 100
        if rounded == rate:
            raise
        return open_bus(replace(spec, options={**spec.options, "bitrate": rounded}), active=False)


def _set_link(channel: str, rate: int) -> None:
    """Set a SocketCAN link to a rate, listen-only; a virtual link is left as it is."""
    link = link_of(channel)
    if link is not None and link.kind in VIRTUAL_LINKS:
        return
    for words in (["down"], ["up", "type", "can", "bitrate", str(rate), "listen-only", "on"]):
        command = ["ip", "link", "set", channel, *words]
        try:
            subprocess.run(command, capture_output=True, text=True, timeout=10, check=True)
        except (OSError, subprocess.SubprocessError) as error:
            output = (getattr(error, "stderr", "") or str(error)).strip()
            raise BusError(
                f"`{' '.join(command)}` failed ({output}): run this command as administrator (sudo), or set each rate "
                "on the link yourself and watch with `swapbridge record`"
            ) from None
