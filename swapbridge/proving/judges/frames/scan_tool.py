"""Proving room: a run in which a scan tool on the bench asks for everything that a bridge file answers."""

from __future__ import annotations

import numpy as np

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.core.identifier_words import IDENTIFIER_MASK, split_word
from swapbridge.core.obd import MAX_PIDS_PER_REQUEST, PADDING, request_payload
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.proving.bench.bench import Bench, MakeTranslator, Run, simulate
from swapbridge.proving.bench.excerpt import excerpt
from swapbridge.proving.bench.nodes import MS, SECOND
from swapbridge.proving.bench.traffic import Rates, Traffic, merge, traffic_from
from swapbridge.proving.reference.scan_tool_answers import answering, answers_of, request_words

ASKED_S = 15
ASK_EVERY_NS = 40 * MS
REFUSED = (0x01, 0x41)
"""Readiness: answered only by the real engine computer."""
FLOW_AFTER_NS = 12 * MS
"""From a request to its flow control: the first frame of the answer is through by then."""
FLOWS = (b"\x30\x00\x00", b"\x30\x01\x08", b"\x30\x00\xf5", b"\x32\x00\x00", b"")
"""All frames at once; one frame, 8 ms apart; 0.5 ms apart; not at all; and none."""


def ask_answers(bench: Bench, bridge: BridgeFile, make: MakeTranslator, seed: int) -> Run | None:
    """A run in which a scan tool asks for everything that is answered, and for some that is not; None without answers.

    It asks all modules and the engine computer in turn: one identifier at a time; readiness, which stays unanswered;
    several at once, with flow control and without.
    """
    rule = answering(bridge)
    if rule is None:
        return None
    traffic, _ = excerpt(bench, ASKED_S * SECOND, np.random.default_rng(seed))
    bus = [b.name for b in bridge.buses].index(rule.tester)
    numbers = [answer.number for answer in answers_of(bridge)]
    singles = [request_payload(number) for number in (*numbers, *REFUSED)]
    pair = request_payload((numbers[0], numbers[-1]))
    most = request_payload((*numbers, *REFUSED)[:MAX_PIDS_PER_REQUEST])
    turns = [*((payload, b"") for payload in (*singles, pair)), *((most, flow) for flow in FLOWS)]
    traffic[bus] = merge(traffic[bus], _requests(turns, request_words(rule), traffic[bus].rates))
    return simulate(bench, make, traffic=tuple(traffic), until_ns=(ASKED_S + 1) * SECOND, seed=seed)


def _requests(turns: list[tuple[bytes, bytes]], words: tuple[int, int], rates: Rates) -> Traffic:
    """Requests one after the other, each with the flow control that follows it, if any."""
    rows: list[tuple[int, int, bytes]] = []
    for number, at in enumerate(range(SECOND // 2, ASKED_S * SECOND, ASK_EVERY_NS)):
        asked, flow = turns[number % len(turns)]
        rows.append((at, words[number // len(turns) % 2], asked))
        if flow:
            rows.append((at + FLOW_AFTER_NS, words[1], flow.ljust(8, bytes([PADDING]))))
    word = np.array([w for _, w, _ in rows], np.int64)
    _, extended = split_word(words[0])
    return traffic_from(
        Capture(
            time_ns=np.array([at for at, _, _ in rows], np.int64),
            identifier=(word & IDENTIFIER_MASK).astype(np.uint32),
            flags=np.full(len(rows), EXTENDED if extended else 0, np.uint8),
            bus=np.zeros(len(rows), np.uint8),
            length=np.full(len(rows), 8, np.uint8),
            payload=np.array([list(data) for _, _, data in rows], np.uint8),
        ),
        rates,
        0,
    )
