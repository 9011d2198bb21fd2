"""Random whole bridges beside a translator that was written from the guide's pages alone.

The guide leaves open how a long bridge spreads a step over its period, so frames are heard in the last millisecond of
each step, and what is sent is due in the last two.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from swapbridge.compiler.expressions.functions import FUNCTIONS
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.reference import exact, exact_memory
from tests.compiler.guide_language import to_nearest
from tests.compiler.guide_translator import GuideTranslator, Sent, put
from tests.compiler.kit import DONOR, HOST, Traffic, compile_text
from tests.compiler.test_random_bridges import Writer
from tests.compiler.twins import same_payloads

STEP_MS = 10
ORACLE = ("guide_language.py", "guide_memories.py")


class SteadyWriter(Writer):
    """Bridges of which everything is due late in a step, with a few more ways to round."""

    whens = (
        "",
        "on_change = true\ngap_ms = 20\n",
        'on_arrival = ["donor.PCM_FAST"]\ngap_ms = 20\n',
    )
    lives = ("delay_ms = 9\n", 'states = ["run", "key_on"]\nlast_ms = 150\ndelay_ms = 9\n', "delay_ms = 39\n")
    pages = "period_ms = 30\nmux = [1, 2, 2]\ndelay_ms = 19\n"
    answers = "period_ms = 30\ndelay_ms = 29\n"

    def number(self, unit: str, depth: int) -> str:
        """Products and quotients of two signals too."""
        if depth > 0 and self.r.random() < 0.1:
            one = super().number(unit, depth - 1)
            if self.r.random() < 0.5:
                return f"({one} * donor.PCM_SLOW.Ratio)"
            return f"({one} / donor.PCM_SLOW.Ratio else {self.constant(unit)})"
        return super().number(unit, depth)


def same_as_the_guide(text: str, seed: int, steps: int) -> int:
    """Both hear the same frames; every frame and every silence must be the same. Frames compared."""
    result = compile_text(text)
    plan, translator, guide = (
        result.plan,
        Translator(result.plan),
        GuideTranslator(text, {"donor": DONOR, "host": HOST}),
    )
    loose = {(s.name, f.name) for s in plan.sends for v in s.variants for f in v.fields if "31 bits" in f.note}
    traffic = Traffic(result, seed)
    r = traffic.random
    ms = compared = 0
    silent = 0
    for _ in range(steps):
        if r.random() < 0.01:
            silent = r.choice((10, 40, 90))
        silent = max(0, silent - 1)
        for _ in range(STEP_MS):
            compared += same_frames(translator, guide, loose, ms)
            if ms % STEP_MS == STEP_MS - 1 and not silent:
                for _ in range(r.choice((0, 1, 1, 2, 4))):
                    bus, word, data = traffic.frame()
                    translator.on_frame(bus, word, data, ms * 1000)
                    guide.hear(bus, word, data, ms * 1000)
                compared += same_frames(translator, guide, loose, ms)
            ms += 1
    return compared


def same_frames(translator: Translator, guide: GuideTranslator, loose: set[tuple[str, str]], ms: int) -> int:
    """What both send at this moment."""
    now, got = ms * 1000, []
    while (frame := translator.poll(now)) is not None or translator.next_poll(now) == now:
        if frame is not None:
            got.append((frame.bus, frame.word, frame.data))
    expected = guide.poll(now)
    told = [(one.bus, one.message.word, one.message.name) for one in expected]
    assert [one[:2] for one in got] == [one[:2] for one in told], f"at {ms} ms: {got}, not {told}"
    for (_, _, data), one in zip(got, expected, strict=True):
        assert is_near(data, one, loose), (
            f"{one.message.name} at {ms} ms: {data.hex()}, not {one.data.hex()} {one.exact}"
        )
    return len(got)


def is_near(data: bytes, one: Sent, loose: set[tuple[str, str]]) -> bool:
    """The same; but a constant of more than 31 bits may move its signal by 1/1000 of a step, the guide says."""
    expected = bytearray(one.data)
    for signal in one.message.signals:
        exact = one.exact.get(signal.name)
        if exact is not None and (f"host.{one.message.name}", signal.name) in loose:
            raw = signal.layout.unpack(data)
            if raw != to_nearest(exact) and abs(raw - exact) * 1000 <= 501:
                put(signal, expected, raw)
    for signal in one.message.signals:
        if signal.checksum is not None:
            signal.checksum.insert(expected)
    return bytes(expected) == data


def check(seed: int, steps: int) -> bool:
    """Whether the bridge of that seed compiles; then every frame agrees."""
    text = SteadyWriter(seed).bridge()
    try:
        compile_text(text)
    except (RefusedError, InputError):
        return False
    assert same_as_the_guide(text, seed, steps) > steps // 10
    if seed % 4 == 0:
        same_payloads(text, seed, steps)  # prove's reference on products and quotients too
    return True


def test_random_bridges() -> None:
    assert sum(check(seed, 60) for seed in range(4)) >= 2


@pytest.mark.long
@pytest.mark.parametrize("part", range(10))
def test_hundreds_of_random_bridges(part: int) -> None:
    assert sum(check(10_000 * part + seed, 150) for seed in range(80)) >= 40


def test_every_function_has_an_exact_value_and_an_oracle() -> None:
    """A function of the guide that the reference or the oracle does not know is found here, not by chance."""
    assert set(FUNCTIONS) == set(exact.FUNCTIONS) | set(exact_memory.MEMORIES)
    texts = [(Path(__file__).parent / name).read_text(encoding="utf-8") for name in ORACLE]
    known = {node.value for text in texts for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Constant)}
    others = {"percent_of", "awake"}  # tests of their own: a product, and a bus's silence
    assert set(FUNCTIONS) - others <= known
