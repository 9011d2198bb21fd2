"""Bus room: opening buses through python-can, listen-only unless told otherwise, and asking them what they lost."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
from collections.abc import Iterable, Iterator
from typing import Any

from swapbridge.bus.adapters.listen import listen_only
from swapbridge.bus.adapters.spec import BusSpec, check_distinct
from swapbridge.capture.python_can import can
from swapbridge.core.errors import BusError, InputError, RefusedError

SO_MEMINFO = 55
"""Linux socket option: memory counters of a socket (linux/sock_diag.h); the ninth is the number of drops."""
SK_MEMINFO_DROPS = 8


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
            f"bus {spec.name}: with receive_own_messages SocketCAN gives our own frames back and does not say that "
            "they are ours, so they would be recorded twice and passed on for ever; leave that option out"
        )
    extra: dict[str, Any] = {}
    if not active:
        answer = listen_only(spec)
        if not answer.certain:
            raise RefusedError(
                f"bus {spec.name}: {answer.words}. Recording only listens unless told --active; "
                "use --active only on a bus whose bit rate you are sure of"
            )
        extra = answer.arguments
    arguments: dict[str, Any] = {"interface": spec.interface, "channel": spec.channel, **spec.options, **extra}
    if spec.interface == "socketcan":
        arguments.pop("bitrate", None)  # the link's own matter; stated for load figures only
    try:
        return can.Bus(ignore_config=True, **arguments)
    except NotImplementedError as error:  # python-can's own one is a child of it
        raise InputError(
            f"bus {spec.name}: {error}. Check the interface's name, and that its driver is there"
        ) from None
    except (TypeError, ValueError, KeyError) as error:
        raise InputError(f"bus {spec}: {error}. Check its channel and options") from None
    except (can.CanError, OSError) as error:
        raise BusError(
            f"bus {spec.name} can't be opened ({error}): check that the adapter is plugged in, that {spec.channel} is "
            "its name and that no other program holds it"
        ) from None


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
        if descriptor < 0:
            return None
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
