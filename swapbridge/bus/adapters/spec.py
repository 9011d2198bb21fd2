"""Bus room: how a bus is named on the command line and in a config file, before anything is opened."""

from __future__ import annotations

import os
import re
import socket
import stat
import sys
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from swapbridge.core.errors import InputError

OptionValue = str | int | float | bool
HOW_TO_WRITE = "write NAME=INTERFACE:CHANNEL[,option=value...], for example donor=socketcan:can0"


@dataclass(frozen=True, slots=True)
class BusSpec:
    """One bus: our name for it, and how python-can reaches it.

    Attributes
    ----------
    name : str
        Letters, digits, ``-`` and ``_``: it names the bus in captures and plans.
    interface, channel : str
        As python-can calls them.
    options : mapping
        Further arguments of python-can's interface, such as ``bitrate`` (bit/s) or ``fd``.
    """

    name: str
    interface: str
    channel: str
    options: Mapping[str, OptionValue] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.name or not all(c.isalnum() or c in "-_" for c in self.name) or not self.name.isascii():
            raise InputError(f"bus name {self.name!r} must be letters, digits, - or _: {HOW_TO_WRITE}")
        if not self.interface or not self.channel:
            raise InputError(f"bus {self.name} lacks an interface or a channel: {HOW_TO_WRITE}")

    @property
    def bitrate(self) -> int:
        """Bit rate in bit/s where it is stated, else 0."""
        value = self.options.get("bitrate", 0)
        return int(value) if isinstance(value, int | float) else 0

    @property
    def place(self) -> str:
        """Interface and channel, as they are written."""
        return f"{self.interface}:{self.channel}"

    @property
    def device(self) -> str | None:
        """The device file that the channel is, where it is one; a serial port may have ``@115200`` behind it."""
        for name in (self.channel, self.channel.rpartition("@")[0]):
            if os.path.isabs(name) and os.path.exists(name):
                return name
        return None

    @property
    def wires(self) -> str:
        """The same for two specs that mean the same adapter, by whatever name, link or interface they reach it."""
        if self.interface == "socketcan":
            return f"net {_link_name(self.channel)}"
        if sys.platform == "win32":
            port = _com_port(self.channel)
            return self.place.casefold() if port is None else f"port {port}"
        if self.device is None:
            return self.place
        found = os.stat(self.device)
        if stat.S_ISCHR(found.st_mode):
            return f"device {os.major(found.st_rdev)}:{os.minor(found.st_rdev)}"
        return f"file {os.path.realpath(self.device)}"

    def __str__(self) -> str:
        return "".join((f"{self.name}={self.place}", *(f",{key}={value}" for key, value in self.options.items())))


def _com_port(channel: str) -> str | None:
    """A serial port of Windows by its own name: ``COM3``, ``com3@115200`` and ``\\\\.\\COM3`` are one port."""
    found = re.fullmatch(r"(?:\\\\\.\\)?(com\d+)(?:@\d+)?", channel, re.IGNORECASE)
    return None if found is None else found[1].lower()


def _link_name(channel: str) -> str:
    """A network link by its own name, where an alternative one was given."""
    try:
        return socket.if_indextoname(socket.if_nametoindex(channel))
    except OSError:
        return channel


def parse_bus(text: str) -> BusSpec:
    """Read ``NAME=INTERFACE:CHANNEL[,option=value...]``.

    The channel may hold colons and slashes (``slcan:/dev/ttyACM0``, ``udp_multicast:ff15::1``) but no comma.

    Raises
    ------
    InputError
        A part is missing or an option has no value.
    """
    name, separator, rest = text.partition("=")
    if not separator:
        raise InputError(f"bus {text!r} has no name: {HOW_TO_WRITE}")
    place, *pairs = rest.split(",")
    interface, separator, channel = place.partition(":")
    if not separator or not channel:
        raise InputError(f"bus {text!r} has no channel: {HOW_TO_WRITE}")
    options: dict[str, OptionValue] = {}
    for pair in pairs:
        key, separator, value = pair.partition("=")
        if not separator or not key.strip() or not value.strip():
            raise InputError(f"bus {text!r}: option {pair!r} must be option=value")
        options[key.strip()] = option_value(value.strip())
    return BusSpec(name.strip(), interface.strip(), channel.strip(), options)


def option_value(text: str) -> OptionValue:
    """A number, yes/no, or text, as written after the equals sign of an option."""
    lowered = text.lower()
    if lowered in ("true", "yes", "on"):
        return True
    if lowered in ("false", "no", "off"):
        return False
    for kind in (lambda t: int(t, 0), float):
        try:
            value: OptionValue = kind(text)
        except ValueError:
            continue
        return value
    return text


def load_bus_config(path: Path) -> tuple[BusSpec, ...]:
    """Buses of a config file: one ``[buses.NAME]`` table each, with ``interface``, ``channel`` and options.

    Raises
    ------
    InputError
        The file is missing, is no TOML, or a bus in it is incomplete.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError(f"{path} does not exist: name a config file with [buses.NAME] tables") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(
            f"{path} can't be read as TOML ({error}): check the line it names for a missing quote or bracket"
        ) from None
    tables = data.get("buses")
    if not isinstance(tables, dict) or not tables:
        raise InputError(f"{path} defines no bus: add a [buses.donor] table with interface and channel")
    return tuple(_from_table(path, name, table) for name, table in tables.items())


def _from_table(path: Path, name: str, table: object) -> BusSpec:
    if not isinstance(table, dict):
        raise InputError(f"{path}: buses.{name} must be a table with interface and channel")
    rest = dict(table)
    interface, channel = rest.pop("interface", None), rest.pop("channel", None)
    if not isinstance(interface, str) or not isinstance(channel, str | int):
        raise InputError(f'{path}: [buses.{name}] needs interface = "..." and channel = "..."')
    for key, value in rest.items():
        if not isinstance(value, str | int | float | bool):
            raise InputError(f"{path}: buses.{name}.{key} must be a number, yes/no or text")
    return BusSpec(name, interface, str(channel), rest)


def check_distinct(specs: Iterable[BusSpec]) -> tuple[BusSpec, ...]:
    """The same buses, once it is sure that no two share a name or the same wires.

    Raises
    ------
    InputError
        A name or a channel is used twice, or no bus is given.
    """
    out = tuple(specs)
    if not out:
        raise InputError(f"no bus is given: {HOW_TO_WRITE} after --bus, or name a file with --config")
    for what, values in (("name", [spec.name for spec in out]), ("channel", [spec.wires for spec in out])):
        for value in values:
            if values.count(value) > 1:
                raise InputError(f"two buses have the same {what} {value}: give each its own")
    return out
