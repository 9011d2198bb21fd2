"""On a kernel with SocketCAN: modules whose transport is the kernel's own (can-isotp, can-j1939), on vcan0.

`pytest -m socketcan -n 0 tests/asking`
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator

import isotp
import pytest

from swapbridge.asking.ask import Questions, ask
from swapbridge.bus.adapters.spec import parse_bus
from tests.asking.modules import Memory, Module, Vehicle

pytestmark = pytest.mark.socketcan
LINK = "vcan0"
HOST = parse_bus(f"host=socketcan:{LINK}")


@contextlib.contextmanager
def running(step: Callable[[], None]) -> Iterator[None]:
    """Call `step` again and again in a thread until the block ends."""
    stop = threading.Event()

    def go() -> None:
        while not stop.is_set():
            step()

    thread = threading.Thread(target=go)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def kernel_socket(receive: int, send: int) -> isotp.socket:
    out = isotp.socket(timeout=0.01)
    out.set_opts(txpad=0xAA)
    out.bind(LINK, isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=receive, txid=send))
    return out


def test_the_kernels_iso_tp_carries_long_answers() -> None:
    codes = {(0x9100 + n) << 8: 0x09 for n in range(60)}
    module = Module(0x7E1, 0x7E9, Memory(Vehicle(), fixed=codes | {0xC10087: 0x0F}), obd=True, vin="NOT A REAL VIN 01")
    physical, functional = kernel_socket(0x7E1, 0x7E9), kernel_socket(0x7DF, 0x7E9)

    def step() -> None:
        for one in (physical, functional):
            with contextlib.suppress(TimeoutError):
                request = one.recv()
                answer = module.respond(bytes(request), time.monotonic_ns()) if request else b""
                if answer and not (one is functional and answer[0] == 0x7F):
                    physical.send(answer)

    with running(step):
        answers = ask(HOST, Questions())
    physical.close()
    functional.close()
    assert answers.ended_by == "done"
    (found,) = answers.modules
    assert found.identification["VIN"] == "NOT A REAL VIN 01"
    assert len([code for code in found.codes if code.service == "19 02"]) == 61
    assert "U0100-87" in [code.text for code in found.codes]
    assert found.remarks == ()


def test_the_kernels_j1939_announces_and_answers() -> None:
    quads = [bytes([110, 0, 0, 3]), bytes([0x7F, 0x02, 9, 1]), bytes([190, 0, 2, 5])]
    faults = b"\x04\xff" + b"".join(quads)
    engine = socket.socket(socket.AF_CAN, socket.SOCK_DGRAM, socket.CAN_J1939)
    engine.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
    engine.settimeout(0.05)
    engine.bind((LINK, socket.J1939_NO_NAME, socket.J1939_NO_PGN, 0))
    last = 0.0

    def step() -> None:
        nonlocal last
        if time.monotonic() - last > 1.0:
            last = time.monotonic()
            engine.sendto(faults, (LINK, socket.J1939_NO_NAME, 0xFECA, 0xFF))
        with contextlib.suppress(TimeoutError):
            data, address = engine.recvfrom(100)
            if address[2] == 0xEA00 and int.from_bytes(data, "little") == 0xFECB:
                engine.sendto(faults + quads[0], (LINK, socket.J1939_NO_NAME, 0xFECB, address[3]))

    with running(step):
        answers = ask(HOST, Questions(protocol="j1939"))
    engine.close()
    (found,) = answers.modules
    assert [code.text for code in found.codes if code.service == "DM1"] == [
        "SPN 110 FMI 0",
        "SPN 639 FMI 9",
        "SPN 190 FMI 2",
    ]
    assert len([code for code in found.codes if code.service == "DM2"]) == 4
    assert answers.ended_by == "done"
