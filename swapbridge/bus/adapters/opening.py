"""Bus room: opening buses through python-can, listen-only unless stated otherwise, and asking them what they lost."""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import struct
import time
from collections.abc import Iterable, Iterator
from typing import Any

from swapbridge.bus.adapters.listen import listen_only
from swapbridge.bus.adapters.lock import held, unheld
from swapbridge.bus.adapters.spec import BusSpec, check_distinct
from swapbridge.capture.python_can import can
from swapbridge.core.errors import BusError, InputError, RefusedError

SO_MEMINFO = 55
"""Linux socket option: memory counters of a socket (linux/sock_diag.h); the ninth is the number of drops."""
SK_MEMINFO_DROPS = 8
MALFORMED = (ValueError, IndexError, KeyError, TypeError, AssertionError, struct.error)
"""What python-can raises for bytes from an adapter that are no frame: the adapter is there all the same."""


def open_bus(spec: BusSpec, *, active: bool) -> can.BusABC:
    """Open one bus.

    Parameters
    ----------
    spec : BusSpec
        Which bus.
    active : bool
        Whether it may send and acknowledge. When false the bus is opened so that it can do neither.

    Raises
    ------
    RefusedError
        It can't be opened listen-only, or it isn't.
    BusError
        The adapter can't be opened.
    InputError
        python-can knows no such interface, or an option is wrong.
    """
    if spec.interface == "socketcan" and spec.options.get("receive_own_messages"):
        raise InputError(
            f"bus {spec.name}: with receive_own_messages SocketCAN returns the frames we send without marking them "
            "as ours, so they would be recorded twice and forwarded for ever; leave that option out"
        )
    extra: dict[str, Any] = {}
    if not active:
        answer = listen_only(spec)
        if not answer.certain:
            raise RefusedError(
                f"bus {spec.name}: {answer.words}. A recording only listens unless you add --active; do so only on a "
                "bus whose bit rate you are sure of"
            )
        extra = answer.arguments
    arguments: dict[str, Any] = {"interface": spec.interface, "channel": spec.channel, **spec.options, **extra}
    if spec.interface == "socketcan":
        arguments.pop("bitrate", None)  # the link's own matter; stated for load figures only
    try:
        with unheld(spec):
            bus = _make(arguments)
        return held(bus, spec)
    except NotImplementedError as error:  # python-can's own one is a child of it
        raise InputError(
            f"bus {spec.name}: {error}. Check the interface's name, and that its driver is installed"
        ) from None
    except (TypeError, ValueError, KeyError) as error:
        raise InputError(f"bus {spec}: {error}. Check its channel and options") from None
    except (can.CanError, OSError) as error:
        raise BusError(
            f"bus {spec.name} can't be opened ({error}): check that the adapter is plugged in, that {spec.channel} is "
            "its name and that no other program holds it"
        ) from None


def _make(arguments: dict[str, Any]) -> can.BusABC:
    if arguments["interface"] == "slcan":
        from swapbridge.bus.adapters.serial_line import SerialLine

        return SerialLine(**{key: value for key, value in arguments.items() if key != "interface"})
    return can.Bus(ignore_config=True, **arguments)


def not_taken(bus: can.BusABC) -> int:
    """Frames handed to this bus that its adapter said, or showed, not to have taken; 0 where it can't be known."""
    count = getattr(bus, "not_taken", None)
    return int(count()) if count is not None else 0


def give_up(bus: can.BusABC) -> None:
    """Expect no more answers of an adapter that is about to be closed: what it left unanswered it did not take."""
    abandon = getattr(bus, "abandon", None)
    if abandon is not None:
        abandon()


def settle(buses: Iterable[can.BusABC], most_s: float = 0.6) -> None:
    """Wait for the answers of adapters that answer frames, so that what they did not take is known."""
    asked = [bus for bus in buses if hasattr(bus, "waiting")]
    end = time.monotonic() + most_s
    while any(bus.waiting for bus in asked) and time.monotonic() < end:
        time.sleep(0.01)


@contextlib.contextmanager
def open_buses(specs: Iterable[BusSpec], *, active: bool) -> Iterator[dict[str, can.BusABC]]:
    """Open several buses, by name; all are closed at the end, whatever happens."""
    with contextlib.ExitStack() as stack:
        opened: dict[str, can.BusABC] = {}
        for spec in check_distinct(specs):
            bus = open_bus(spec, active=active)
            stack.callback(close_bus, bus)
            opened[spec.name] = bus
        yield opened


def close_bus(bus: can.BusABC) -> None:
    """Close a bus that may already be broken: an unplugged adapter's complaint is of no use any more."""
    with contextlib.suppress(can.CanError, OSError, ValueError):
        bus.shutdown()


def socket_drops(bus: can.BusABC) -> int | None:
    """Frames the kernel threw away because this program did not fetch them in time; None when nobody counts.

    Read from the socket's memory counters (Linux), which python-can's SocketCAN and multicast buses have behind their
    file descriptor.
    """
    try:
        descriptor = bus.fileno()
        if descriptor < 0 or not stat.S_ISSOCK(os.fstat(descriptor).st_mode):
            return None  # a serial port counts nothing, and a copy of its descriptor would keep it open
        with contextlib.closing(socket.socket(fileno=os.dup(descriptor))) as handle:
            raw = handle.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 64)
    except (NotImplementedError, OSError, ValueError):
        return None
    counters = struct.unpack(f"={len(raw) // 4}I", raw[: len(raw) // 4 * 4])
    return int(counters[SK_MEMINFO_DROPS]) if len(counters) > SK_MEMINFO_DROPS else None


def link_drops(spec: BusSpec) -> int | None:
    """Frames the adapter or its driver says it lost (receive drops, overruns); None when nobody counts."""
    if spec.interface != "socketcan":
        return None
    total = 0
    for counter in ("rx_dropped", "rx_over_errors", "rx_fifo_errors"):
        try:
            with open(f"/sys/class/net/{spec.channel}/statistics/{counter}", encoding="ascii") as file:
                total += int(file.read())
        except (OSError, ValueError):
            return None
    return total


def marks_only_own(bus: can.BusABC) -> bool:
    """Whether frames that this bus marks as sent are its own, given back to it.

    SocketCAN marks what any program of this computer sent, and gives nobody its own unless asked to.
    """
    return not type(bus).__module__.startswith("can.interfaces.socketcan.")
