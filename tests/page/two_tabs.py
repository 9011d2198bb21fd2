"""Seeded sequences of two tabs and an editor over one folder, the page killed in the middle of its writes.

Run as a program, so that pages are forked from a process without threads: ``two_tabs.py FOLDER FIRST COUNT``. Prints
what was tried as JSON; the first thing lost ends it with words.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import signal
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from swapbridge.page.app import make_app
from swapbridge.page.guard import FORM_TOKEN_HEADER, RequestGuard
from swapbridge.signalmap.dbc_read import load_map

HOST = "127.0.0.1:8321"
OPERATIONS = 10
MOST_FILE_EVENTS = 14
FILE_EVENTS = {"open", "os.rename", "os.remove", "os.mkdir", "os.truncate"}
SIGNAL = {
    "name": "speed", "start": 0, "length": 16, "byte_order": "little_endian", "signed": False, "kind": "analogue",
    "scale": 0.25, "offset": 0.0, "unit": "rpm", "stimulus": None, "lag_s": None, "confidence": 0.9,
    "layout_confidence": 0.9, "copy_of": None, "mux": None, "alternatives": [], "evidence": {},
}  # fmt: skip
MESSAGE = {"id": 416, "extended": False, "bus": "donor", "length": 8, "period_ms": 10.0, "signals": [SIGNAL]}


class Page:
    """One page in a process of its own, which may be told to die at its n-th file event."""

    def __init__(self, app: RequestGuard, headers: dict[str, str]) -> None:
        down_read, down_write = os.pipe()
        up_read, up_write = os.pipe()
        self.child = os.fork()
        if not self.child:
            os.close(down_write)
            os.close(up_read)
            _serve(app, headers, os.fdopen(down_read), os.fdopen(up_write, "w"))
        os.close(down_read)
        os.close(up_write)
        self.to, self.back = os.fdopen(down_write, "w"), os.fdopen(up_read)

    def ask(self, path: str, values: dict[str, Any] | None, die_at: int = 0) -> tuple[int, dict[str, Any]] | None:
        """Status and answer; None when it died first."""
        self.to.write(json.dumps([path, values, die_at]) + "\n")
        self.to.flush()
        line = self.back.readline()
        return None if not line else tuple(json.loads(line))

    def close(self) -> None:
        """End it and wait for it."""
        with contextlib.suppress(BrokenPipeError):
            self.to.close()
        self.back.close()
        os.waitpid(self.child, 0)


def opened(folder: Path) -> tuple[RequestGuard, dict[str, str]]:
    """The page over a folder, and what a browser's requests carry."""
    app = make_app(folder, hosts=[HOST])
    http = TestClient(app, base_url=f"http://{HOST}", client=("127.0.0.1", 50000))
    token = http.get("/compare").text.split('name="form-token" content="')[1].split('"')[0]
    cookie = "; ".join(f"{name}={value}" for name, value in http.cookies.items())
    return app, {"origin": f"http://{HOST}", FORM_TOKEN_HEADER: token, "cookie": cookie}


def _serve(app: RequestGuard, headers: dict[str, str], asked: Any, answers: Any) -> None:
    left = 0

    def watch(event: str, _: object) -> None:
        nonlocal left
        if left and event in FILE_EVENTS:
            left -= 1
            if not left:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(watch)
    client = TestClient(app, base_url=f"http://{HOST}", client=("127.0.0.1", 50000), headers=headers)
    with client as http:
        for line in asked:
            path, values, die_at = json.loads(line)
            left = die_at
            answer = http.get(path) if values is None else http.post(path, json=values)
            left = 0
            answers.write(json.dumps([answer.status_code, answer.json()]) + "\n")
            answers.flush()
    os._exit(0)


@dataclass
class File:
    """A file as it must be, and every content that undo must still bring back."""

    path: Path
    now: bytes | None
    steps: list[tuple[bytes | None, bytes]] = field(default_factory=list)

    def wrote(self, after: bytes) -> None:
        if after != self.now:
            self.steps.append((self.now, after))
            self.now = after

    def outside(self, after: bytes) -> None:
        self.now = after

    def undone(self) -> bytes | None:
        """What undo gives, or the same content where it must refuse."""
        while self.steps and self.steps[-1][1] != self.now:
            if self.steps[-1][0] != self.now:
                return self.now
            self.steps.pop()
        return self.steps[-1][0] if self.steps else self.now

    def on_disk(self) -> bytes | None:
        return self.path.read_bytes() if self.path.exists() else None


def sequence(folder: Path, seed: int) -> dict[str, int]:
    """Play one sequence; raises AssertionError with what was lost."""
    chance = random.Random(seed)
    for name in ("signal_maps", "findings", "captures"):
        (folder / name).mkdir(parents=True)
    (folder / "captures" / "a.log").write_text("(1.0) can0 1A0#0011223344556677\n")
    (folder / "findings" / "a.json").write_text(json.dumps({"version": 1, "messages": [MESSAGE]}))
    bridge = File(folder / "bridge.toml", None)
    the_map = File(folder / "signal_maps" / "donor.dbc", None)
    seen = {(tab, name): "" for tab in "AB" for name in ("bridge.toml", "donor.dbc")}
    counts = dict.fromkeys(("writes", "refused", "undone", "killed", "outside"), 0)
    browser = opened(folder)
    page = Page(*browser)
    for number in range(OPERATIONS):
        tab, file = chance.choice("AB"), chance.choice((bridge, bridge, the_map))
        name, what = file.path.name, chance.choice(("save", "save", "save", "load", "undo", "outside"))
        die_at = chance.randint(1, MOST_FILE_EVENTS) if what in ("save", "undo") and chance.random() < 0.35 else 0
        where = f"seed {seed}, step {number}, {what} {name} by {tab}, die at {die_at}"
        if what == "outside" and file is bridge:
            counts["outside"] += 1
            file.path.write_bytes(f"# an editor, {seed} {number}\n".encode())
            file.outside(file.path.read_bytes())
        if what in ("outside", "load"):
            seen[tab, name] = _look(page, name)
            continue
        before, current = file.now, _version(file.now)
        asked: dict[str, Any]
        expected: bytes | None
        if what == "undo":
            asked, path, expected = {"file": name, "version": seen[tab, name]}, "/api/undo", file.undone()
        elif file is bridge:
            text = f"# {tab} {seed} {number}\n"
            asked, path, expected = {"text": text, "version": seen[tab, name]}, "/api/bridge/save", text.encode()
        else:
            edit = {
                **{k: SIGNAL[k] for k in ("start", "length", "byte_order", "signed", "unit")},
                "scale": f"{number + 1}",
            }
            asked = {"file": "a.log", "id": "1A0", "bus": "donor", "field": "speed", "name": "Speed", "map": name}
            asked |= {"version": seen[tab, name], "edit": {**edit, "offset": "0"}}
            path, expected = "/api/accept", None
        said = page.ask(path, asked, die_at)
        found = file.on_disk()
        if said is None:
            page.close()
            counts["killed"] += 1
            page = Page(*browser)
            if what == "undo":
                assert found in (before, expected), f"{where}: neither undone nor as it was"
                if found != before:
                    file.steps.pop()
                file.now = found
            elif found != before:
                assert seen[tab, name] == current, f"{where}: written over what the tab had not seen"
                assert expected in (None, found), f"{where}: half written"
                assert found is not None
                file.wrote(found)
        elif said[0] == 200 and what == "undo":
            assert seen[tab, name] == current, f"{where}: undid what the tab had not seen"
            assert found == expected != before, f"{where}: undo did not bring it back"
            file.steps.pop()
            file.now, seen[tab, name] = found, said[1]["version"]
            counts["undone"] += 1
        elif said[0] == 200:
            assert seen[tab, name] == current, f"{where}: the last save won in silence"
            assert found is not None, f"{where}: said to be written and is not there"
            assert expected in (None, found), f"{where}: something else was written"
            file.wrote(found)
            seen[tab, name] = said[1]["version"]
            assert seen[tab, name] == _version(found), where
            counts["writes"] += 1
        else:
            assert found == before, f"{where}: refused, and written all the same"
            assert said[0] in (400, 409), f"{where}: {said}"
            assert seen[tab, name] != current or (what == "undo" and expected == before), f"{where}: {said[1]}"
            counts["refused"] += 1
        if the_map.path.exists():
            assert load_map(the_map.path).messages, f"{where}: the map can't be read any more"
    for file in (bridge, the_map):
        assert file.on_disk() == file.now, f"seed {seed}: {file.path.name} is not what it must be"
        while (expected := file.undone()) != file.now:
            said = page.ask("/api/undo", {"file": file.path.name, "version": _version(file.now)})
            assert said is not None
            assert said[0] == 200, f"seed {seed}: {file.path.name} can't be brought back: {said[1]}"
            assert file.on_disk() == expected, f"seed {seed}: {file.path.name} was lost"
            file.steps.pop()
            file.now = expected
    page.close()
    return counts


def _look(page: Page, name: str) -> str:
    said = page.ask("/api/bridge" if name == "bridge.toml" else "/api/maps", None)
    assert said is not None
    if name == "bridge.toml":
        return str(said[1]["version"])
    return next((str(m["version"]) for m in said[1]["maps"] if m["name"] == name), "")


def _version(content: bytes | None) -> str:
    return "" if content is None else hashlib.sha256(content).hexdigest()


def main() -> None:
    folder, first, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    total: dict[str, int] = {}
    for seed in range(first, first + count):
        for key, number in sequence(folder / str(seed), seed).items():
            total[key] = total.get(key, 0) + number
    sys.stdout.write(json.dumps(total) + "\n")


if __name__ == "__main__":
    main()
