"""Watchdogs: the one inside against a late loop, systemd's and a hardware one outside."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from swapbridge.bus.running.watchdog import CALM_NS, SHUTS_UNTIL_FINAL, HardwareWatchdog, LagWatch, Systemd
from swapbridge.core.errors import InputError

MS = 1_000_000


def test_late_at_once_and_calm_after_a_while() -> None:
    watch = LagWatch(50 * MS)
    story = [(10 * MS, 0), (60 * MS, 1), (1 * MS, CALM_NS // 2), (1 * MS, CALM_NS + 2)]
    assert [(watch.observe(lag, now), watch.late) for lag, now in story] == [
        (False, False), (True, True), (False, True), (True, False),
    ]  # fmt: skip
    assert (watch.times, watch.worst_ns) == (1, 60 * MS)


@pytest.mark.parametrize("start", [0, 123_456_789_012_345_678])
def test_calm_is_counted_from_the_last_lateness_on_any_clock(start: int) -> None:
    """A computer's clock does not begin at 0; and what is late again in between begins the calm anew."""
    watch = LagWatch(50 * MS)
    story = [(50 * MS, 0), (51 * MS, 0), (51 * MS, CALM_NS - 1), (0, 2 * CALM_NS - 2), (0, 2 * CALM_NS - 1)]
    assert [(watch.observe(lag, start + at), watch.late) for lag, at in story] == [
        (False, False), (True, True), (False, True), (False, True), (True, False),
    ]  # fmt: skip
    assert watch.times == 1


def test_late_again_and_again_is_final() -> None:
    watch, now = LagWatch(50 * MS), 0
    for _ in range(SHUTS_UNTIL_FINAL):
        now += 3 * CALM_NS
        watch.observe(60 * MS, now)
        now += 2 * CALM_NS
        watch.observe(0, now)
    assert watch.final
    assert watch.late
    watch.observe(0, now + 100 * CALM_NS)
    assert watch.late


def test_late_now_and_then_is_not_final() -> None:
    watch, now = LagWatch(50 * MS), 0
    for _ in range(20):
        now += 30_000 * MS
        watch.observe(60 * MS, now)
        watch.observe(0, now + 2 * CALM_NS)
    assert not watch.final
    assert not watch.late


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="needs Unix sockets")
@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_gets_its_datagrams(abstract: bool, tmp_path: Path) -> None:
    """The protocol of sd_notify(3): newline-separated assignments in one datagram to $NOTIFY_SOCKET."""
    name = f"@swapbridge-test-{os.getpid()}" if abstract else str(tmp_path / "s")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind("\0" + name[1:] if abstract else name)
        ours = Systemd({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())})
        assert ours.interval_s == 3.0
        ours.notify("READY=1")
        ours.notify("WATCHDOG=1", "STATUS=sending")
        assert systemd.recv(100) == b"READY=1"
        assert systemd.recv(100) == b"WATCHDOG=1\nSTATUS=sending"


def test_without_systemd_nothing_happens(tmp_path: Path) -> None:
    quiet = Systemd({})
    quiet.notify("READY=1")
    assert quiet.interval_s == 0
    assert Systemd({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}).interval_s == 0
    assert Systemd({"WATCHDOG_USEC": "soon"}).interval_s == 0
    Systemd({"NOTIFY_SOCKET": str(tmp_path / "gone")}).notify("READY=1")


def test_a_hardware_watchdog_is_fed_and_told_of_a_wanted_end(tmp_path: Path) -> None:
    """Linux's watchdog API: any write feeds it, a V before the end disarms it; not so after a fault."""
    device = tmp_path / "watchdog"
    device.touch()
    dog = HardwareWatchdog(device)
    dog.feed()
    dog.feed()
    dog.close(wanted=False)
    assert device.read_bytes() == b"\n\n"
    dog = HardwareWatchdog(device)
    dog.feed()
    dog.close(wanted=True)
    assert device.read_bytes().endswith(b"V")
    with pytest.raises(InputError, match="can't be opened"):
        HardwareWatchdog(tmp_path / "no" / "dog")
