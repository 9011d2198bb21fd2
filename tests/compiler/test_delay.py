"""`delay(x, time)`: what it says, when it is valid, and that contract, Python, reference and C agree on it."""

from __future__ import annotations

from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.errors import RefusedError
from swapbridge.plan.python.translator import Translator
from tests.compiler.kit import HEAD, RICH, compile_text, drive
from tests.compiler.twins import same_payloads

NEEDLE = (
    HEAD
    + """
[[messages]]
send = "host.EngineStatus"
rest = "zero"
[messages.signals]
Temp = {{ value = "clamp(delay(donor.PCM_SLOW.Coolant / 1 degC + 40, {time}), 0, 250)", fallback = 250 }}
"""
)


@given(
    st.lists(st.integers(0, 255), min_size=1, max_size=40),
    st.sampled_from(["1 ms", "10 ms", "11 ms", "0.05 s", "0.2 s"]),
)
def test_it_says_what_its_source_said_so_many_steps_ago(raws: list[int], time: str) -> None:
    """The definition, on the step grid: a list of what was heard at each step, looked at `time` behind."""
    steps = {"1 ms": 1, "10 ms": 1, "11 ms": 2, "0.05 s": 5, "0.2 s": 20}[time]
    translator = Translator(compile_text(NEEDLE.format(time=time)).plan)
    heard: deque[int | None] = deque([None] * steps)
    for number, raw in enumerate(raws):
        now = number * 10_000
        translator.on_frame(0, 0x300, bytes([raw, 0, 0, 0, 0, 0, 0, 0]), now + 5)
        frames = []
        while translator.next_poll(now + 10) == now + 10:
            frames.append(translator.poll(now + 10))
        heard.append(None if raw == 255 else raw)
        then = heard.popleft()
        for frame in frames:
            if frame is not None:
                assert frame.data[2] == (250 if then is None or then > 250 else then)


MANY = """
Lamp = { value = "delay(donor.PCM_FAST.Lamp == 'On' and donor.PCM_FAST.RPM > 500 rpm, 0.12 s)" }
Speed = "clamp(delay(lowpass(donor.PCM_FAST.RPM, 0.1 s), 30 ms), 0 rpm, 8000 rpm)"
Running = { value = "rising(delay(donor.PCM_FAST.Run, 70 ms))", hold_ms = 50 }
State = { value = "delay(mode, 0.4 s)", fallback = "'Invalid'" }
"""
MODE = """
[values]
mode = \"\"\"lookup(donor.PCM_FAST.Mode, 'Off': 'Stopped', 'Crank': 'Cranking', 'Idle': 'Idling',
    'Drive': 'Driving')\"\"\"
[states]
run = "delay(donor.PCM_FAST.Run, 20 ms)"
"""


def test_numbers_conditions_choices_and_filters_agree_with_contract_and_reference() -> None:
    text = NEEDLE.format(time="1.99 s").replace(HEAD, HEAD + MODE) + MANY
    for seed in range(3):
        assert drive(compile_text(text), seed, 2500) > 50
        assert same_payloads(text, seed, 2500) > 50


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("delay(donor.PCM_SLOW.Coolant, 2.01 s)", r"more than 2 s is too long"),
        ("delay(5, 1 s)", r"a constant has no other value in the past"),
        ("delay(donor.PCM_SLOW.Coolant)", r"write delay\(x, time\)"),
        ("delay(donor.PCM_SLOW.Coolant, 0 s)", r"not between 0 and a day"),
        ("delay(donor.PCM_SLOW.Coolant, 1 rpm)", r"rotational speed"),
    ],
)
def test_what_can_not_be_kept_is_refused(value: str, reason: str) -> None:
    text = NEEDLE.format(time="1 s").replace("clamp(delay(donor.PCM_SLOW.Coolant / 1 degC + 40, 1 s), 0, 250)", value)
    with pytest.raises(RefusedError, match=reason):
        compile_text(text)


def test_two_seconds_cost_the_memory_of_two_seconds() -> None:
    (line,) = compile_text(NEEDLE.format(time="2 s")).plan.lines
    assert (line.length, line.high) == (200, 255)


def test_a_bridge_with_every_feature_says_what_the_exact_reference_works_out() -> None:
    assert same_payloads(RICH, 5, 2500) > 500
