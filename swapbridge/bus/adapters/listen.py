"""Bus room: which adapters can listen without ever disturbing a bus, and how each is set to.

A node that may send also acknowledges frames and, at the wrong bit rate, breaks them with error frames; a listen-only
one does neither. Only ways that python-can itself offers or that the kernel reports are used; an adapter that can't
be told, or can't be asked, counts as one that may send.
"""

from __future__ import annotations

import json
import subprocess
from dataclasses import dataclass
from typing import Any

from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.capture.python_can import can

NO_WIRES = frozenset({"virtual", "udp_multicast"})
"""Interfaces without a CAN controller behind them: there is no bus to disturb."""
VIRTUAL_LINKS = ("vcan", "vxcan")

LISTEN_ARGUMENTS: dict[str, dict[str, Any]] = {
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": can.BusState.PASSIVE},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": can.BusState.PASSIVE},
    "vector": {"listen_only": True},
}
"""What python-can's constructor takes to open each interface listen-only (python-can 4.4 and later)."""


@dataclass(frozen=True, slots=True)
class ListenOnly:
    """Whether a bus can be listened to harmlessly.

    Attributes
    ----------
    certain : bool
        True when nothing will be sent, not even an acknowledgement.
    arguments : dict
        To be added when the bus is opened.
    words : str
        How it is known, or why not and what to do.
    """

    certain: bool
    arguments: dict[str, Any]
    words: str


@dataclass(frozen=True, slots=True)
class ListeningLink:
    """How the kernel describes a SocketCAN interface."""

    kind: str
    up: bool
    listen_only: bool
    bitrate: int
    state: str


def has_wires(spec: BusSpec) -> bool:
    """Whether this bus may be a vehicle's; where the kernel can't be asked, it could."""
    if spec.interface != "socketcan":
        return spec.interface not in NO_WIRES
    link = link_of(spec.channel)
    return link is None or link.kind not in VIRTUAL_LINKS


def listen_only(spec: BusSpec) -> ListenOnly:
    """How to open this bus without being able to disturb it.

    The kernel is asked for SocketCAN, since only the link can be set to listen, not the program that opens it.
    """
    if spec.interface in NO_WIRES:
        return ListenOnly(True, {}, f"{spec.interface} has no wires to disturb")
    if spec.interface in LISTEN_ARGUMENTS:
        return ListenOnly(True, dict(LISTEN_ARGUMENTS[spec.interface]), "the adapter is opened listen-only")
    if spec.interface == "socketcan":
        return _socketcan(spec.channel, link_of(spec.channel))
    return ListenOnly(False, {}, f"python-can has no way to open {spec.interface} listen-only")


def _socketcan(channel: str, link: ListeningLink | None) -> ListenOnly:
    if link is None:
        return ListenOnly(False, {}, f"the kernel does not say how {channel} is set (is `ip` installed?)")
    if link.kind in VIRTUAL_LINKS:
        return ListenOnly(True, {}, f"{channel} is a virtual link without wires")
    if link.listen_only:
        return ListenOnly(True, {}, f"the kernel holds {channel} listen-only")
    rate = link.bitrate or 500_000
    return ListenOnly(
        False,
        {},
        f"{channel} may send: set it to listen-only with `sudo ip link set {channel} down` and then "
        f"`sudo ip link set {channel} up type can bitrate {rate} listen-only on`",
    )


def link_of(channel: str) -> ListeningLink | None:
    """Ask iproute2 (`ip -details -json link show`) for a SocketCAN link; None when it is not known."""
    try:
        answer = subprocess.run(
            ["ip", "-details", "-json", "link", "show", "dev", channel],
            capture_output=True,
            text=True,
            timeout=5,
            check=True,
        ).stdout
    except (OSError, subprocess.SubprocessError):
        return None
    return parse_link(answer)


def parse_link(answer: str) -> ListeningLink | None:
    """Read the JSON that `ip -details -json link show dev NAME` prints; None when it is something else."""
    try:
        entry = json.loads(answer)[0]
        info = entry.get("linkinfo", {})
        data = info.get("info_data", {})
        return ListeningLink(
            kind=str(info.get("info_kind", "")),
            up="UP" in entry.get("flags", ()),
            listen_only="LISTEN-ONLY" in data.get("ctrlmode", ()),
            bitrate=int(data.get("bittiming", {}).get("bitrate", 0)),
            state=str(data.get("state", "")),
        )
    except (ValueError, IndexError, KeyError, TypeError, AttributeError):
        return None
