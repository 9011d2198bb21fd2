"""First contact is listen-only: adapters are told so, the kernel is asked, and what can't be sure is refused."""

from __future__ import annotations

import inspect
import json
from typing import Any

import can
import pytest
from can.interfaces.virtual import channels as virtual_channels

from swapbridge.bus.adapters import listen
from swapbridge.bus.adapters.listen import LISTEN_ARGUMENTS, listen_only, parse_link
from swapbridge.bus.adapters.opening import close_bus, link_drops, open_bus, open_buses, socket_drops
from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.core.errors import BusError, InputError, RefusedError


def link_json(kind: str = "can", modes: tuple[str, ...] = (), bitrate: int = 500000) -> str:
    """What `ip -details -json link show dev can0` prints, with the parts that matter (iproute2 6, from memory)."""
    data: dict[str, Any] = {"ctrlmode": list(modes), "state": "ERROR-ACTIVE", "bittiming": {"bitrate": bitrate}}
    return json.dumps(
        [{"ifname": "can0", "flags": ["NOARP", "UP"], "linkinfo": {"info_kind": kind, "info_data": data}}]
    )


def test_link_answers_are_read() -> None:
    link = parse_link(link_json(modes=("LISTEN-ONLY", "FD")))
    assert link is not None
    assert (link.kind, link.listen_only, link.bitrate, link.up) == ("can", True, 500000, True)
    plain = parse_link(link_json())
    assert plain is not None
    assert not plain.listen_only


@pytest.mark.parametrize("answer", ["", "[]", "{}", "[5]", "not json", '[{"linkinfo": 3}]', '[{"flags": 7}]'])
def test_an_odd_answer_means_unknown(answer: str) -> None:
    assert parse_link(answer) is None


@pytest.mark.parametrize(
    ("answer", "certain"),
    [(link_json(modes=("LISTEN-ONLY",)), True), (link_json(), False), (link_json("vcan"), True), ("", False)],
)
def test_socketcan_goes_by_the_link(answer: str, certain: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listen, "link_of", lambda channel: parse_link(answer))
    spec = parse_bus("a=socketcan:can0")
    assert listen_only(spec).certain is certain
    if not certain:
        with pytest.raises(RefusedError, match="--active"):
            open_bus(spec, active=False)


def test_the_kernel_is_asked_about_a_link_that_is_not_there() -> None:
    assert listen.link_of("no-such-link0") is None


@pytest.mark.parametrize("interface", ["socketcand", "canalystii", "neovi", "serial"])
def test_an_adapter_that_cant_only_listen_is_refused(interface: str) -> None:
    with pytest.raises(RefusedError, match="no way to open"):
        open_bus(parse_bus(f"a={interface}:0"), active=False)


@pytest.mark.parametrize("interface", sorted(LISTEN_ARGUMENTS))
def test_python_can_knows_the_listen_only_arguments(interface: str) -> None:
    """The arguments are those of the installed python-can; nixnet and systec take theirs through **kwargs."""
    module, name = can.interfaces.BACKENDS[interface]
    try:
        bus_class = getattr(__import__(module, fromlist=[name]), name)
    except (ImportError, OSError, can.CanError) as error:  # a vendor's driver is missing: read the file instead
        raise AssertionError(f"python-can's {interface} could not be imported: {error}") from error
    known = inspect.signature(bus_class.__init__).parameters
    source = inspect.getsource(bus_class)
    for argument in LISTEN_ARGUMENTS[interface]:
        assert argument in known or f'"{argument}"' in source


def test_a_serial_adapter_is_opened_to_listen_and_never_to_send(serial_adapter: Any, until: Any) -> None:
    spec = parse_bus(f"a=slcan:{serial_adapter.path},bitrate=500000,sleep_after_open=0")
    bus = open_bus(spec, active=False)
    until(lambda: serial_adapter.mode == "L")
    close_bus(bus)
    until(lambda: serial_adapter.commands[-1] == "C")
    assert "O" not in serial_adapter.commands
    assert "S6" in serial_adapter.commands
    assert not serial_adapter.sent


def test_active_opens_to_send(serial_adapter: Any, until: Any) -> None:
    bus = open_bus(parse_bus(f"a=slcan:{serial_adapter.path},bitrate=500000,sleep_after_open=0"), active=True)
    until(lambda: serial_adapter.mode == "O")
    close_bus(bus)


def test_what_cant_be_opened_is_told(serial_adapter: Any) -> None:
    with pytest.raises(InputError, match="not supported"):
        open_bus(parse_bus("a=nonsense:0"), active=True)
    with pytest.raises(BusError, match="plugged in"):
        open_bus(parse_bus("a=slcan:/dev/no-such-port,sleep_after_open=0"), active=True)
    with pytest.raises(BusError, match="Invalid bitrate"):
        open_bus(parse_bus(f"a=slcan:{serial_adapter.path},sleep_after_open=0,bitrate=123"), active=True)
    with pytest.raises(InputError, match="Check its channel and options"):
        open_bus(parse_bus(f"a=seeedstudio:{serial_adapter.path},operation_mode=deaf"), active=True)


@pytest.mark.parametrize("active", [True, False])
def test_own_frames_that_nobody_can_tell_are_refused(active: bool) -> None:
    """SocketCAN marks what any program of this computer sent; a translator would pass its own on for ever."""
    spec = parse_bus("a=socketcan:vcan0,receive_own_messages=true")
    with pytest.raises(InputError, match=r"bus a: .*receive_own_messages.*leave that option out"):
        open_bus(spec, active=active)
    spec = parse_bus("a=socketcan:no-such-link0,receive_own_messages=no")
    with pytest.raises((BusError, InputError), match=r"no-such-link0|can't be opened|not supported"):
        open_bus(spec, active=True)


def test_buses_are_closed_when_a_later_one_fails(channel: str) -> None:
    specs = [parse_bus(f"a=virtual:{channel}"), parse_bus("b=slcan:/dev/no-such-port,sleep_after_open=0")]
    with pytest.raises(BusError), open_buses(specs, active=True):
        pass
    assert channel not in virtual_channels


def test_nobody_counts_drops_on_a_virtual_bus(channel: str) -> None:
    with open_buses([parse_bus(f"a=virtual:{channel}")], active=True) as buses:
        assert socket_drops(buses["a"]) is None
    assert link_drops(parse_bus("a=socketcan:no-such-link0")) is None
    assert link_drops(parse_bus("a=virtual:x")) is None
