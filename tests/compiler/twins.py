"""The translator beside the exact reference of `prove` on random traffic: every frame must be what it works out."""

from __future__ import annotations

from typing import Any

from swapbridge.language.reading import parse_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.reference.open_choices import loose_fields, steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.signalmap.signal_map import SignalMap
from tests.compiler.kit import DONOR, HOST, Traffic, compile_text


def same_payloads(text: str, seed: int, steps: int, donor: SignalMap = DONOR, host: SignalMap = HOST) -> int:
    """Feed both the same frames and times; every decision of every poll must agree. Frames compared."""
    result = compile_text(text, donor, host)
    bridge = parse_bridge(text)
    plan = result.plan
    translator = Translator(plan)
    twin = Reference(bridge, {"donor": donor, "host": host}, steps_of(plan), loose=loose_fields(plan))
    traffic = Traffic(result, seed)
    r = traffic.random
    now = compared = 0
    for _ in range(steps):
        now += r.choice((0, 300, 1000, 2500, 7000, 7000)) if r.random() > 0.002 else r.choice((400_000, 2_000_000))
        if r.random() < 0.7:
            bus, word, data = traffic.frame()
            translator.on_frame(bus, word, data, now)
            twin.heard(bus, word, data, now)
        for _ in range(40):
            twin.polled(now)
            frame = translator.poll(now)
            if frame is not None and _is_passed(plan.sends, frame.bus, frame.word):
                continue
            decision = twin.next_due(now)
            expected = None if decision is None else decision.payload
            if frame is None:
                assert expected is None, f"{decision.target.message.name} at {now} us is missing"  # type: ignore[union-attr]
            else:
                assert decision is not None, f"{frame} at {now} us was not due"
                assert expected is not None, f"{frame} at {now} us should have stopped"
                assert (frame.bus, frame.word) == (decision.target.bus_number, decision.target.message.word)
                near = expected == frame.data or decision.target.nearly(frame.data, expected)
                assert near, f"{decision.target.message.name} at {now} us: {frame.data.hex()}, not {expected.hex()}"
                compared += 1
            if translator.next_poll(now) != now & 0xFFFF_FFFF:
                break
    return compared


def polled_alike(translator: Any, twin: Reference, now: int) -> list[Any]:
    """The frames of a translator at one moment, each of which must be the reference's next, and none missing."""
    sent = []
    for _ in range(20):
        twin.polled(now)
        mine, decision = translator.poll(now), twin.next_due(now)
        assert (None if mine is None else mine.data) == (None if decision is None else decision.payload), now
        if mine is not None:
            sent.append(mine)
        if translator.next_poll(now) != now & 0xFFFF_FFFF:
            break
    return sent


def _is_passed(sends: tuple[object, ...], bus: int, word: int) -> bool:
    return all((s.bus, s.word) != (bus, word) for s in sends)  # type: ignore[attr-defined]
