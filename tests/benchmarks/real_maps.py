"""Benchmark: maps as they are found, read whole or with notes, beside cantools' own reading, in the same run.

``python -m tests.benchmarks.real_maps FOLDER``: walks a folder of DBC, KCD, SYM and ARXML files (an open collection,
unpacked) and prints how many load here and how many cantools takes as they stand, what was left out, and of how many
signals every value of random payloads equals what cantools decodes from the mended text. Files are told by digest.
"""

from __future__ import annotations

import hashlib
import logging
import sys
import time
from pathlib import Path
from typing import Any

import cantools
import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.signalmap.dbc_read import load_map, with_imports
from swapbridge.signalmap.dbc_repair import repair_dbc
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.signal_map import MapMessage, SignalMap

FORMS = (".dbc", ".kcd", ".sym", ".arxml")
PAYLOADS = 8


def payloads_of(message: MapMessage, rng: np.random.Generator) -> Capture:
    size = max(8, message.length)
    payload = np.zeros((PAYLOADS, size), dtype=np.uint8)
    payload[:, : message.length] = rng.integers(0, 256, (PAYLOADS, message.length))
    return Capture(
        time_ns=np.arange(PAYLOADS, dtype=np.int64),
        identifier=np.full(PAYLOADS, message.word, dtype=np.uint32),
        flags=np.zeros(PAYLOADS, dtype=np.uint8),
        bus=np.zeros(PAYLOADS, dtype=np.uint8),
        length=np.full(PAYLOADS, message.length, dtype=np.uint8),
        payload=payload,
    )


def differing(signal_map: SignalMap, database: Any, rng: np.random.Generator) -> tuple[int, int]:
    """Signals whose values were compared, and those with a value that differs."""
    theirs = {m.frame_id | (EXTENDED_BIT if m.is_extended_frame else 0): m for m in database.messages}
    compared = wrong = 0
    for message in signal_map.messages:
        capture = payloads_of(message, rng)
        ours = decode_columns(capture, SignalMap((message,)))
        expected: dict[str, list[float]] = {}
        for row in capture.payload:
            try:
                data = row[: message.length].tobytes()
                values = theirs[message.word].decode(data, decode_choices=False)
            except cantools.database.errors.DecodeError:
                continue  # a page of a multiplexer that the map does not have
            for name, value in values.items():
                expected.setdefault(name, []).append(float(value))
        for signal in message.signals:
            if signal.mux_signal is None and len(expected.get(signal.name, ())) == PAYLOADS:
                compared += 1
                mine = ours[message.name, signal.name].values
                wrong += not np.array_equal(mine, np.array(expected[signal.name]), equal_nan=True)
    return compared, wrong


def main() -> int:
    logging.getLogger("cantools").setLevel(logging.CRITICAL)
    rng = np.random.default_rng(15)
    whole = True
    for form in FORMS:
        files = sorted(p for p in Path(sys.argv[1]).rglob("*") if p.suffix.lower() == form)
        loaded = as_they_stand = notes = signals = compared = wrong = 0
        ours_s = theirs_s = 0.0
        for path in files:
            digest = hashlib.sha256(path.read_bytes()).hexdigest()[:8]
            start = time.perf_counter()
            try:
                cantools.database.load_file(path)
                as_they_stand += 1
            except Exception:  # noqa: BLE001  parsers of four formats raise of many kinds
                pass
            theirs_s += time.perf_counter() - start
            start = time.perf_counter()
            try:
                found = load_map(path)
            except InputError as error:
                print(f"  {form} {digest}: {str(error).replace(str(path), 'it')[:140]}")
                continue
            finally:
                ours_s += time.perf_counter() - start
            loaded += 1
            notes += len(found.notes)
            signals += sum(len(m.signals) for m in found.messages)
            if form == ".dbc":
                text = repair_dbc(with_imports(path)[0]).text
                database = cantools.database.load_string(text, "dbc", strict=False, sort_signals=None)
                one, bad = differing(found, database, rng)
                compared, wrong = compared + one, wrong + bad
        whole &= wrong == 0
        print(
            f"{form}: {loaded} of {len(files)} load, {as_they_stand} in cantools as they stand; {signals:,} signals, "
            f"{notes:,} notes; {wrong} of {compared:,} signals differ; {ours_s / max(theirs_s, 0.01):.1f} times as long"
        )
    return 0 if whole else 1


if __name__ == "__main__":
    sys.exit(main())
