"""The NAME that a bridge states for an address: claimed, kept against higher ones, lost to lower ones; three ways.

What is expected is from memory of SAE J1939-81: the lower NAME keeps an address; from 128 to 247 a node waits 250 ms
after its claim before it sends anything else.
"""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.core.errors import SwapbridgeError
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import SentFrame, Translator
from swapbridge.plan.serialise import plan_from_json
from tests.compiler.group_maps import BRIDGE, MAPS
from tests.compiler.test_groups import TSC1, traffic
from tests.compiler.test_sender_names import agree

Step = tuple[int, int, int, bytes]
STATED = "identity_number = 77, manufacturer_code = 5, function = 18, industry_group = 2"
OWN = j1939.J1939Name(identity=77, manufacturer=5, function=18, industry=2)
LOWER, HIGHER = (j1939.J1939Name(identity=n, manufacturer=5, function=18, industry=2) for n in (76, 78))


def text_of(address: int = 49, stated: str = STATED) -> str:
    named = f"names.{address} = {{ {stated} }}\n" if stated else ""
    donor = BRIDGE.replace('absent = ["CAB"]\n', f'absent = ["CAB"]\n{named}')
    return donor + TSC1.replace("from = 49", f"from = {address}")


def plan_of(text: str) -> Plan:
    return compile_bridge(parse_bridge(text), MAPS).plan


def said(text: str, steps: list[Step], until_us: int, make: Any = Translator) -> list[tuple[int, SentFrame]]:
    """What goes out on the donor's bus while the gearbox asks for torque and these frames come."""
    translator, out, now = make(plan_of(text)), list[tuple[int, SentFrame]](), 0
    waiting = sorted(steps)
    while now < until_us:
        if now % 20_000 == 0:
            translator.on_frame(1, 0x300, bytes([100, 0, 0, 0, 0, 0, 0, 0]), now)
        while waiting and waiting[0][0] <= now:
            _, bus, word, data = waiting.pop(0)
            translator.on_frame(bus, word, data, now)
        frame = translator.poll(now)
        if frame is not None and frame.bus == 0:
            out.append((now, frame))
        if translator.next_poll(now) != now:
            now += 1000
    return out


def claims(frames: list[tuple[int, SentFrame]]) -> list[tuple[int, int, bytes]]:
    return [(at, f.word & 0xFF, f.data) for at, f in frames if j1939.is_claim(f.word)]


def commands(frames: list[tuple[int, SentFrame]]) -> list[int]:
    return [at for at, f in frames if not j1939.is_claim(f.word)]


def claim(at_us: int, name: j1939.J1939Name, address: int = 49) -> Step:
    return at_us, 0, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, address).word, name.data


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_the_stated_name_is_claimed_before_anything_is_sent(make: Any) -> None:
    frames = said(text_of(), [], 100_000, make)
    assert claims(frames) == [(0, 49, OWN.data)]
    assert frames[0][1].data == OWN.data
    by_module = text_of().replace("names.49", "names.CAB")
    assert said(by_module, [], 100_000, make) == frames


@pytest.mark.parametrize("stated", [STATED, ""])
@pytest.mark.parametrize(("address", "waits"), [(127, 0), (128, 250_000), (247, 250_000), (248, 0)])
def test_from_128_to_247_nothing_is_sent_for_250_ms_after_the_claim(address: int, waits: int, stated: str) -> None:
    frames = said(text_of(address, stated), [], 400_000)
    assert [at for at, *_ in claims(frames)] == [0]
    assert waits <= commands(frames)[0] <= waits + 11_000


def test_who_asks_is_told_meanwhile_and_the_wait_is_no_longer() -> None:
    asks = (100_000, 0, j1939.Identifier(6, j1939.REQUEST, 3, 200).word, bytes([0, 0xEE, 0]))
    frames = said(text_of(200), [asks], 400_000)
    assert [at for at, *_ in claims(frames)] == [0, 100_000]
    assert 250_000 <= commands(frames)[0] <= 261_000


def test_it_is_kept_against_a_higher_name() -> None:
    frames = said(text_of(), [claim(100_000, HIGHER)], 300_000)
    assert [(at, data) for at, _, data in claims(frames)] == [(0, OWN.data), (100_000, OWN.data)]
    assert commands(frames)[-1] > 280_000


@pytest.mark.parametrize("name", [LOWER, OWN])
@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_it_is_lost_to_a_lower_name_and_to_the_same(name: j1939.J1939Name, make: Any) -> None:
    """The same NAME is the module itself, come back."""
    frames = said(text_of(), [claim(100_000, name)], 400_000, make)
    assert 80_000 < commands(frames)[-1] <= 100_000
    assert [address for _, address, _ in claims(frames)] == [49, j1939.NO_ADDRESS]


def test_lost_while_it_waits_nothing_is_ever_sent() -> None:
    frames = said(text_of(200), [claim(100_000, LOWER, 200)], 900_000)
    assert commands(frames) == []


def test_after_sleep_it_is_claimed_and_waited_for_again() -> None:
    translator, out = Translator(plan_of(text_of(200))), list[tuple[int, SentFrame]]()
    for now in range(0, 9_000_000, 1000):
        if not 1_000_000 <= now < 8_000_000 and now % 20_000 == 0:
            translator.on_frame(1, 0x300, bytes([100, 0, 0, 0, 0, 0, 0, 0]), now)
        while True:
            frame = translator.poll(now)
            if frame is not None and frame.bus == 0:
                out.append((now, frame))
            if translator.next_poll(now) != now:
                break
    assert [at for at, *_ in claims(out)] == [0, 8_000_000]
    assert 8_250_000 <= next(at for at in commands(out) if at >= 8_000_000) <= 8_261_000


def test_a_plan_file_keeps_it_and_the_plan_in_words_says_it() -> None:
    made = compile_bridge(parse_bridge(text_of(200)), MAPS)
    assert plan_from_json(made.plan.to_json()) == made.plan
    words = " ".join(made.explain.split())
    assert "first sent as 250 ms after that" in words
    assert "another node under a lower or the same NAME claims it" in words


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("names.49", "names.254", "is not an SAE J1939 address"),
        ("names.49", "names.GHOST", "no J1939 address for module 'GHOST'"),
        ("names.49", "names.50", "no J1939 group is sent as it"),
        ("function = 18", "function = 256", "does not fit a NAME"),
        ("function = 18", "arbitrary_address_capable = 1", "take another address, which a bridge never does"),
        ("placement =", "names.CAB = { function = 1 }\nplacement =", "address 49 has two NAMEs"),
    ],
)
def test_a_name_of_its_own_that_can_not_be_is_refused(old: str, new: str, reason: str) -> None:
    with pytest.raises(SwapbridgeError, match=reason):
        plan_of(text_of().replace(old, new, 1))


# --- three ways


def steps(rng: random.Random, count: int, address: int) -> list[tuple[int, int, bytes]]:
    """Groups, questions and claims of the address by others, mostly higher ones."""
    out = list[tuple[int, int, bytes]]()
    for now, frame in traffic(rng, count):
        if frame is not None:
            out.append((now, *frame))
        if rng.random() < 0.01:
            name = rng.choice((HIGHER, HIGHER, HIGHER, LOWER)).data if rng.random() < 0.9 else OWN.data
            at = j1939.Identifier(6, j1939.ADDRESS_CLAIMED, rng.choice((address, address, 17)))
            out.append((now, at.word, name))
        if rng.random() < 0.01:
            asks = j1939.Identifier(6, j1939.REQUEST, 3, rng.choice((address, 255)))
            out.append((now, asks.word, bytes([0, 0xEE, 0])))
    return out


@pytest.mark.parametrize("address", [49, 200])
@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_translators_and_reference_agree_on_own_names(make: Any, address: int) -> None:
    assert agree(text_of(address), make, steps(random.Random(address), 3000, address)) > 200


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1 << 32), st.sampled_from((49, 200)), st.booleans())
def test_translator_and_reference_agree_on_any_claims(seed: int, address: int, stated: bool) -> None:
    text = text_of(address, STATED if stated else "")
    agree(text, Translator, steps(random.Random(seed), 300, address))
