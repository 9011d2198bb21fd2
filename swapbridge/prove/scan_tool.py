"""Prove room: a scan tool on the bench: a run in which everything that a bridge file answers is asked for."""

from __future__ import annotations

import numpy as np

from swapbridge.bridge.bridge_file import BridgeFile
from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.core.frames import split_word
from swapbridge.core.obd import request_payload
from swapbridge.prove.answers import answering, answers_of, request_words
from swapbridge.prove.bench import Bench, MakeTranslator, Run, simulate
from swapbridge.prove.excerpt import excerpt
from swapbridge.prove.faults import MS, SECOND
from swapbridge.prove.traffic import Rates, Traffic, merge, traffic_from

ASKED_S = 12
ASK_EVERY_NS = 40 * MS
REFUSED = (0x01, 0x41)
"""Readiness: the real engine computer answers, or nobody."""


def ask(bench: Bench, bridge: BridgeFile, make: MakeTranslator, seed: int) -> Run | None:
    """A run in which a scan tool asks for everything that is answered, and for some that is not; None without answers.

    It asks all modules and the engine computer in turn, one identifier at a time as well as two at once and readiness,
    which stay unanswered.
    """
    rule = answering(bridge)
    if rule is None:
        return None
    traffic, _ = excerpt(bench, ASKED_S * SECOND, np.random.default_rng(seed))
    bus = [b.name for b in bridge.buses].index(rule.tester)
    numbers = [answer.number for answer in answers_of(bridge)]
    wanted: list[int | tuple[int, ...]] = [*numbers, *REFUSED, (numbers[0], numbers[-1])]
    traffic[bus] = merge(traffic[bus], _requests(wanted, request_words(rule), traffic[bus].rates))
    return simulate(bench, make, traffic=tuple(traffic), until_ns=(ASKED_S + 1) * SECOND, seed=seed)


def _requests(wanted: list[int | tuple[int, ...]], words: tuple[int, int], rates: Rates) -> Traffic:
    times = np.arange(SECOND // 2, ASKED_S * SECOND, ASK_EVERY_NS, dtype=np.int64)
    count = len(times)
    turns = np.arange(count)
    payloads = np.array([list(request_payload(one)) for one in wanted], np.uint8)
    word = np.array(words, np.int64)[turns // len(wanted) % 2]
    _, extended = split_word(words[0])
    return traffic_from(
        Capture(
            time_ns=times,
            identifier=(word & 0x1FFF_FFFF).astype(np.uint32),
            flags=np.full(count, EXTENDED if extended else 0, np.uint8),
            bus=np.zeros(count, np.uint8),
            length=np.full(count, 8, np.uint8),
            payload=payloads[turns % len(wanted)],
        ),
        rates,
        0,
    )
