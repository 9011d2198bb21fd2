"""Stop: from the press to the first safe answer, and to the last frame, under loads and from every button.

    python -m tests.benchmarks.stop [tries]

A run is a process of its own that sends to a serial adapter (a pseudo-terminal) until it is stopped by a signal, by
`swapbridge stop`'s own call, or by the page's route without a session; with the machine idle, with every core busy,
with a black box being written at that moment, and with nobody reading what the run prints. Targets: first safe answer
within 0.1 s, last frame within 0.2 s, or 0.7 s where a request ramps out. The named peer is the least there is: a bare
python-can loop that sends one safe frame and ends when it gets the signal.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from starlette.testclient import TestClient

from swapbridge.bus.running.control import live_runs, stop_run
from swapbridge.capture.capture import Capture
from swapbridge.capture.write import write_capture
from swapbridge.page.app import make_app
from tests.benchmarks.bus_traffic import machine
from tests.bus.conftest import FALLBACK, SPEED, SerialAdapter, make_plan
from tests.bus.test_ending import with_request
from tests.proofs import write_proof

VALUE = 0x1234
LOADS = ("idle", "busy cores", "black box", "unread output")
BUTTONS = ("SIGTERM", "Ctrl-C", "swapbridge stop", "page, no session")
HOST = "127.0.0.1:8321"
PEER = """
import signal, sys, time
import can
with can.Bus(interface="slcan", channel=sys.argv[1], bitrate=500000, sleep_after_open=0) as bus:
    over = []
    signal.signal(signal.SIGTERM, lambda *_: over.append(1))
    while not over:
        bus.send(can.Message(arbitration_id=0x200, is_extended_id=False, data=b"\\x34\\x12" + bytes(6)))
        time.sleep(0.01)
    bus.send(can.Message(arbitration_id=0x200, is_extended_id=False, data=b"\\xff\\xff" + bytes(6)))
"""


def folder_with(folder: Path, *, ramp: bool) -> Path:
    plan = with_request(make_plan()) if ramp else make_plan()
    write_proof(folder, plan)
    n = 60_000
    small, payload = np.zeros(n, dtype=np.uint8), np.zeros((n, 8), dtype=np.uint8)
    payload[:, :2] = (VALUE & 0xFF, VALUE >> 8)
    times, words = np.arange(n, dtype=np.int64) * 10_000_000, np.full(n, SPEED, dtype=np.uint32)
    write_capture(Capture(times, words, small, small, small + 8, payload), folder / "donor.log")
    return folder


@contextlib.contextmanager
def busy(on: bool) -> Iterator[None]:
    """Every core busy at our own priority."""
    hogs = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1) if on]
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()


def values(adapter: SerialAdapter) -> list[tuple[float, int]]:
    pairs = zip(adapter.times, adapter.sent, strict=False)
    return [(at, int(line[7:9] + line[5:7], 16)) for at, line in list(pairs) if line.startswith("t2008")]


def wait(
    what: str, holds: Callable[[], bool], process: subprocess.Popen[bytes] | None = None, most_s: float = 120.0
) -> None:
    end = time.monotonic() + most_s
    while not holds():
        over = process is not None and process.poll() is not None
        if over or time.monotonic() > end:
            code = None if process is None else process.poll()
            raise SystemExit(f"it never came so far: {what} (exit code {code})")
        time.sleep(0.005)


def one(folder: Path, load: str, button: str, *, ramp: bool) -> tuple[float, float]:
    """Seconds from the press to the first safe answer (or the first step of a ramp), and to the last frame."""
    adapter = SerialAdapter()
    call = [sys.executable, "-m", "swapbridge", "run", "plan.json", "--against", "donor.log", "--send",
            "--cautions-read", "--quiet", "--watch-first", "0", "--black-box", "boxes",
            "--bus", f"host=slcan:{adapter.path},bitrate=500000,sleep_after_open=0"]  # fmt: skip
    sink = subprocess.PIPE if load == "unread output" else subprocess.DEVNULL
    with (folder / "said.txt").open("wb") as written:
        errors = sink if load == "unread output" else written
        process = subprocess.Popen(call, cwd=folder, stdin=subprocess.DEVNULL, stdout=sink, stderr=errors)
    try:
        with busy(load == "busy cores"):
            wait(f"sending, {load}, {button}", lambda: any(value == VALUE for _, value in values(adapter)), process)
            time.sleep(0.1 + 0.02 * np.random.default_rng().random())
            if load == "black box":
                process.send_signal(signal.SIGUSR1)
                time.sleep(0.05)
            found = next(run for run in live_runs() if run.process == process.pid)
            pressed = time.monotonic()
            if button == "page, no session":
                page = TestClient(make_app(folder, hosts=[HOST]), base_url=f"http://{HOST}", client=("127.0.0.1", 5))
                pressed = time.monotonic()
                page.post("/api/live/stop", headers={"origin": f"http://{HOST}"})
            elif button == "swapbridge stop":
                stop_run(found)
            else:
                process.send_signal(signal.SIGTERM if button == "SIGTERM" else signal.SIGINT)
            wait("stopped", lambda: found not in live_runs())
            time.sleep(0.1)
    except SystemExit as error:
        raise SystemExit(f"{error}; it said: {(folder / 'said.txt').read_text(errors='replace')}") from None
    finally:
        process.kill()
        process.communicate()
        adapter.close()
    after = [(at - pressed, value) for at, value in values(adapter) if at > pressed]
    safe = 0 if ramp else FALLBACK
    first = next((at for at, value in after if value != VALUE), float("inf"))
    last, said = after[-1] if after else (float("inf"), VALUE)
    return first, last if said == safe else float("inf")


def peer() -> float:
    adapter = SerialAdapter()
    process = subprocess.Popen([sys.executable, "-c", PEER, adapter.path])
    try:
        wait("the peer sends", lambda: len(adapter.sent) > 20)
        pressed = time.monotonic()
        process.send_signal(signal.SIGTERM)
        process.wait()
        time.sleep(0.1)
        return adapter.times[-1] - pressed
    finally:
        process.kill()
        adapter.close()


def main() -> int:
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(machine())
    missed = 0
    with tempfile.TemporaryDirectory() as quick, tempfile.TemporaryDirectory() as slow:
        folders = {False: folder_with(Path(quick), ramp=False), True: folder_with(Path(slow), ramp=True)}
        results: dict[tuple[str, bool], list[tuple[float, float]]] = {}
        buttons: dict[str, list[float]] = {}
        for number in range(tries):
            load, ramp = LOADS[number % 4], bool(number // 4 % 2)
            button = BUTTONS[(number // 8 + number) % 4]
            first, last = one(folders[ramp], load, button, ramp=ramp)
            results.setdefault((load, ramp), []).append((first, last))
            buttons.setdefault(button, []).append(last - (0.5 if ramp else 0.1))
            missed += first > 0.1 or last > (0.7 if ramp else 0.2)
    least = [peer() for _ in range(5)]
    print(f"{'load':<16}{'ramp':<6}{'tries':>6}   first safe s: median worst     last frame s: median worst")
    for (load, ramp), rows in sorted(results.items()):
        first, last = np.array(rows).T
        print(
            f"{load:<16}{'yes' if ramp else 'no':<6}{len(rows):>6}   {np.median(first):>20.3f} {first.max():.3f}"
            f"   {np.median(last):>22.3f} {last.max():.3f}"
        )
    for button, ends in buttons.items():
        print(f"{button:<18} end after its plan by {np.median(ends):+.3f} s, worst {max(ends):+.3f} s")
    ours = np.median([last for (_, ramp), rows in results.items() if not ramp for _, last in rows])
    theirs = np.median(least)
    print(f"peer, one safe frame and gone: {theirs:.3f} s; ours without a ramp takes {ours / theirs:.1f} times as long")
    print(f"outside the targets: {missed} of {tries}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
