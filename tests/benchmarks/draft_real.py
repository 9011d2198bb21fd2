"""Real recordings: what a draft reproduces of the engine's messages in the last third, beside the most common payload.

    python -m tests.benchmarks.draft_real SET [SET ...] [--absent REGEX] [--list]

A set is a folder with a text log (`capture.log.gz`), `stimulus.csv` and `truth.json` (messages and signals of the
vehicle's map, and which signal each stimulus channel came from), as `guess_score` takes it. Messages whose name matches
REGEX are the engine computer's: absent in the swap. The first two thirds are the host with its old engine, and without
those messages the host unplugged. The donor is invented: one message that carries what the stimulus has channels for
(engine speed, pedal, vehicle speed, coolant), in a layout of its own; in its own vehicle it drives the same road
backwards. Then the plan hears the last third, and what it sends is compared with what the old computer sent then.

A signal counts if it moves in both parts; counters and checksums are left out. One is reproduced as `tests.drafting.
judged` says: within 2 % of its span or the same state, in 95 % of the frames.
"""

from __future__ import annotations

import argparse
import json
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import Channel, StimulusTrack, read_stimulus
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.layout import Layout
from swapbridge.guessing.layout.message_fields import raw_values
from tests.drafting.drives import Floats
from tests.drafting.judged import FieldVerdict, compiled, drafted, judge, judge_repeated
from tests.drafting.worlds import Field, Message, Truth, World

ENGINES = r"(?i)eng|ems|powertrain|throttle"
DONOR_ID, STAYS_BEHIND_ID = 0x101, 0x3A1
PERIOD_S = 0.01
ALONE_S = 20.0


@dataclass(frozen=True, slots=True)
class _Carried:
    """A quantity in the donor's message: first byte, bytes, scale and offset."""

    byte: int
    width: int
    scale: float
    offset: float


CARRIED = {
    "engine_speed": _Carried(0, 2, 0.25, 0.0),
    "vehicle_speed": _Carried(2, 2, 0.01, 0.0),
    "pedal": _Carried(4, 1, 0.5, 0.0),
    "coolant_temp": _Carried(5, 1, 1.0, -60.0),
}
IDLE = {"engine_speed": 0.0, "vehicle_speed": 0.0, "pedal": 0.0, "coolant_temp": 20.0}


def _log(bus: str, times: Floats, words: Floats, payload: Any, length: Any) -> Capture:
    order = np.argsort(times, kind="stable")
    n = len(times)
    return Capture(
        (times[order] * 1e6).astype(np.int64) * 1000, words[order].astype(np.uint32), np.zeros(n, np.uint8),
        np.zeros(n, np.uint8), length[order], payload[order], (bus,), f"{bus}.log",
    )  # fmt: skip


def _donor(begin: float, times: Floats, quantities: Mapping[str, Floats], alone: bool) -> Capture:
    """What the donor's computer says, and (in its own vehicle) a module that stays behind."""
    payload = np.zeros((len(times), 8), np.uint8)
    for name, values in quantities.items():
        at = CARRIED[name]
        raw = np.clip(np.round((values - at.offset) / at.scale), 0, 256**at.width - 1).astype(np.int64)
        for k in range(at.width):
            payload[:, at.byte + k] = raw >> (8 * (at.width - 1 - k)) & 255
    payload[:, 7] = np.arange(len(times)) & 15
    words = np.full(len(times), DONOR_ID)
    if not alone:
        stays = times[::10]
        behind = np.zeros((len(stays), 8), np.uint8)
        behind[:, 0] = np.arange(len(stays)) & 15
        times, payload = np.r_[times, stays], np.r_[payload, behind]
        words = np.r_[words, np.full(len(stays), STAYS_BEHIND_ID)]
    return _log("donor", times + begin, words, payload, np.full(len(times), 8, np.uint8))


def _fields(message: Mapping[str, Any]) -> tuple[Field, ...]:
    kinds = {"flag": "step", "enum": "step", "analogue": "number"}
    return tuple(
        Field(
            s["name"], "derived", kinds[s["kind"]], s["length"], lambda _: np.zeros(0),
            Layout(s["start_bit"], s["length"], s["byte_order"]).positions, signed=s["signed"],
        )
        for s in message["signals"] if s["kind"] in kinds and not s.get("doubtful") and not s["muxed"]
    )  # fmt: skip


def _physical(capture: Capture, truth: Mapping[str, Any], name: str) -> tuple[Floats, Floats]:
    """Times and values of ``MESSAGE.SIGNAL`` in a capture."""
    where, signal = name.split(".")
    message = next(m for m in truth["messages"] if m["name"] == where)
    found = next(s for s in message["signals"] if s["name"] == signal)
    mine = capture.identifier == int(message["id_hex"], 16)
    layout = Layout(found["start_bit"], found["length"], found["byte_order"], found["signed"])
    return capture.time_ns[mine] / 1e9, raw_values(capture.payload[mine], layout) * found["scale"] + found["offset"]


def real_world(folder: Path, absent: str) -> World:
    """A swap whose host is a real recording."""
    capture = read_capture(folder / "capture.log.gz")
    track = read_stimulus(folder / "stimulus.csv").on_clock_of(capture)
    truth = json.loads((folder / "truth.json").read_text())
    capture = capture.select(capture.length <= 8)
    capture = Capture(
        capture.time_ns, capture.identifier, capture.flags, np.zeros(len(capture), np.uint8), capture.length,
        capture.payload[:, :8], ("host",), "host.log",
    )  # fmt: skip
    seconds = capture.time_ns / 1e9
    begin, end = float(seconds[0]), float(seconds[-1])
    cut = begin + 2 * (end - begin) / 3
    gone = [m for m in truth["messages"] if m["name"] and re.search(absent, m["name"])]
    engine = np.isin(capture.identifier, [int(m["id_hex"], 16) for m in gone])
    first = seconds < cut
    sources = {k: v["from_signal"] for k, v in truth["stimulus"]["channels"].items() if k in CARRIED}
    curves = {name: _physical(capture, truth, source) for name, source in sources.items()}
    early, late = (np.arange(a, b, PERIOD_S) for a, b in ((begin, cut), (cut, end)))
    backwards = {name: np.interp(early[::-1], *curve) for name, curve in curves.items()}
    alone = np.arange(0.0, ALONE_S, PERIOD_S)
    at_rest = {name: np.full(len(alone), IDLE[name]) for name in sources}
    captures = {
        "host": capture.select(first),
        "host unplugged": capture.select(first & ~engine),
        "donor": _donor(0.0, early, backwards, alone=False),
        "donor alone": _donor(begin, alone, at_rest, alone=True),
    }
    units = {name: track.channels[name].unit for name in sources}
    asked = np.arange(0, len(early), 15)
    tracks = {
        "host": StimulusTrack({k: _before(c, cut) for k, c in track.channels.items()}, "host"),
        "donor": StimulusTrack(
            {k: Channel(k, early[asked] + 0.05, v[asked], units[k]) for k, v in backwards.items()}, "donor"
        ),
    }
    unseen = {
        "host": capture.select(~first & ~engine),
        "donor": _donor(0.0, late, {k: np.interp(late, *v) for k, v in curves.items()}, alone=True),
    }
    truths = []
    for message in gone:
        mine = ~first & (capture.identifier == int(message["id_hex"], 16))
        if mine.sum() > 1 and (fields := _fields(message)):
            times = seconds[mine]
            told = Message(int(message["id_hex"], 16), "engine", float(np.median(np.diff(times))), "bus", fields, b"")
            truths.append(Truth(told, times, capture.payload[mine]))
    return World(captures, tracks, unseen, {"host": truths})


def _before(channel: Channel, end_s: float) -> Channel:
    rows = channel.time_s < end_s
    return Channel(channel.name, channel.time_s[rows], channel.value[rows], channel.unit, channel.texts)


def _shares(world: World, fields: list[FieldVerdict]) -> tuple[int, int, int, int]:
    """Fields made, fields, bits made, bits."""
    lengths = {(t.message.identifier, f.name): f.length for t in world.truth["host"] for f in t.message.fields}
    bits = [lengths[f.identifier, f.name] for f in fields]
    made = [f.made for f in fields]
    return sum(made), len(made), sum(b for b, m in zip(bits, made, strict=True) if m), sum(bits)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sets", nargs="+", type=Path)
    parser.add_argument("--absent", default=ENGINES, help=f"names of the engine's messages (default {ENGINES})")
    parser.add_argument("--list", action="store_true")
    args = parser.parse_args()
    for folder in args.sets:
        try:
            world = real_world(folder, args.absent)
            swap, made = drafted(world)
            with tempfile.TemporaryDirectory() as out:
                verdict = judge(world, made, compiled(swap, made, Path(out)))
        except SwapbridgeError as error:
            print(f"{folder.name}: no draft: {error}")
            continue
        ours, peer = _shares(world, verdict.moving), _shares(world, judge_repeated(world))
        sure = [f for f in verdict.moving if f.claimed >= 0.95]
        print(
            f"{folder.name}: {len(world.truth['host'])} messages absent; fields {ours[0]}/{ours[1]}, "
            f"peer {peer[0]}/{peer[1]}; bits {ours[2]}/{ours[3]}, peer {peer[2]}/{peer[3]}; "
            f"sure claims right {sum(f.made for f in sure)}/{len(sure)}"
        )
        for one in verdict.moving:
            if args.list:
                print(
                    f"    {one.identifier:03X} {one.name:<28} {one.how:<9} {one.share:.2f} "
                    f"claimed {one.claimed:.2f} {one.words[:70]}"
                )


if __name__ == "__main__":
    main()
