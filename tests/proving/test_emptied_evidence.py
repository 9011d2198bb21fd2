"""Prove room: the emptier the evidence, the less green the verdict: a law, and what absent modules sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.proving.judges.behaviour.coverage import judge_needs
from tests.proving import mistakes, small_swap
from tests.proving.mistakes import Change, World

SECONDS = 32.0
TEMPS = '[[messages]]\nsend = "host.TEMPS"\nperiod_ms = 100'
NEED = '[[need]]\nmodule = "computer"\nbus = "donor"\nid = "0F1"\nhow = "can"\n'


def _world() -> World:
    """The small swap, its old engine computer gone, without needs list."""
    return World(small_swap.BRIDGE, small_swap.maps(), small_swap.captures(SECONDS), small_swap.tracks(SECONDS), "", {})


FLAWS: dict[str, Change] = {
    "a period": mistakes.text(TEMPS, TEMPS.replace("100", "150")),
    "a message sent once": mistakes.text(TEMPS, TEMPS.replace("period_ms = 100", "once = true")),
    "a heard checksum": mistakes.method("donor.FAST.Check", init=0),
    "a sent checksum": mistakes.method("host.ENGINE_DATA.Check", before=b"\xc9"),
    "a sent counter": mistakes.without("host.ENGINE_DATA.Count"),
    "a constant for a measurement": mistakes.text(
        '"clamp(donor.SLOW.Coolant, -40 degF, 400 degF)"', '{ value = "190 degF", fallback = "not available" }'
    ),
    "a scale that the stimulus alone refutes": mistakes.signal("donor.SLOW.Coolant", scale=Fraction(1, 2)),
    "never running": mistakes.text('donor.FAST.Speed > 400 rpm"\nafter', 'donor.FAST.Speed > 7000 rpm"\nafter'),
}


def _kept(bus: str, rows: Callable[[Capture], np.ndarray]) -> Change:
    return mistakes.capture(bus, lambda c: c.select(np.flatnonzero(rows(c))))


def _seconds(c: Capture) -> np.ndarray:
    return np.asarray((c.time_ns - c.time_ns[0]) / 1e9)


BUSES = st.sampled_from(["host", "donor"])
WORDS = {"host": [0x0C8, 0x280, 0x0B4, 0x2F0], "donor": [0x101, 0x291, 0x0F1]}


def _without_reading(bus: str) -> Change:
    return lambda world: replace(world, stimuli={b: track for b, track in world.stimuli.items() if b != bus})


def _without_channel(bus: str, channel: str) -> Change:
    def change(world: World) -> World:
        track = world.stimuli[bus]
        kept = {name: one for name, one in track.channels.items() if name != channel}
        return replace(world, stimuli={**world.stimuli, bus: replace(track, channels=kept)})

    return change


EMPTIED = st.one_of(
    st.tuples(BUSES, st.sampled_from(["engine_speed", "coolant_temperature"])).map(lambda a: _without_channel(*a)),
    BUSES.map(_without_reading),
    BUSES.map(lambda bus: mistakes.capture(bus, lambda c: None)),
    st.tuples(BUSES, st.floats(0.05, 0.6)).map(lambda a: mistakes.capture(a[0], mistakes.lossy(a[1]))),
    st.tuples(BUSES, st.floats(2, 30)).map(lambda a: _kept(a[0], lambda c: _seconds(c) < a[1])),
    st.tuples(BUSES, st.floats(2, 30)).map(lambda a: _kept(a[0], lambda c: _seconds(c) > a[1])),
    BUSES.flatmap(lambda bus: st.sampled_from(WORDS[bus]).map(lambda word: _kept(bus, lambda c: c.identifier != word))),
)
"""A channel beside a recording, all of them, or a recording; a share of its frames, its end, its beginning; all but one
identifier."""


def _refused(world: World) -> str:
    with TemporaryDirectory() as folder:
        return mistakes.refused_by(world, Path(folder))


def test_the_sound_swap_passes() -> None:
    assert _refused(_world()) == ""


@pytest.mark.parametrize("bus", ["host", "donor"])
def test_without_a_reading_beside_a_recording_nothing_is_proved(bus: str) -> None:
    assert "no stimulus file beside the recording" in _refused(_without_reading(bus)(_world()))


def test_a_stimulus_file_without_a_reading_is_none() -> None:
    empty = StimulusTrack({"coolant_temperature": Channel("coolant_temperature", np.zeros(0), np.zeros(0), "degC")})
    world = _world()
    assert _refused(replace(world, stimuli={**world.stimuli, "donor": empty}))


@pytest.mark.parametrize("bus", ["host", "donor"])
@pytest.mark.parametrize("channel", ["engine_speed", "coolant_temperature"])
def test_without_what_every_scan_tool_reads_nothing_is_proved(bus: str, channel: str) -> None:
    assert "not " + channel.replace("_", " ") in _refused(_without_channel(bus, channel)(_world()))


@settings(max_examples=8)
@given(st.sampled_from(sorted(FLAWS)), EMPTIED)
def test_no_flaw_passes_because_evidence_was_taken_away(flaw: str, emptied: Change) -> None:
    assert _refused(emptied(FLAWS[flaw](_world()))), flaw


@pytest.mark.parametrize(("bus", "word"), [(bus, word) for bus, words in WORDS.items() for word in words])
def test_without_any_identifier_of_the_plan_nothing_is_proved(bus: str, word: int) -> None:
    assert _refused(_kept(bus, lambda c: c.identifier != word)(_world()))


# --- what absent modules sent


def _statuses(world: World) -> dict[str, str]:
    """What the judge of the needs says alone: who is absent does not hang on what other judges found."""
    with TemporaryDirectory() as folder:
        return {c.name: c.status for c in judge_needs(mistakes.case_of(world, Path(folder)))}


NOT_SENT = "280 TEMPS of ENGINE, which is absent"


def test_what_an_absent_module_sent_is_supplied_or_somebody_says_that_nobody_waits() -> None:
    """Neither a needs list nor a recording with the old engine computer unplugged is there to say it."""
    world = replace(_world(), bridge=mistakes.without_message(small_swap.BRIDGE, "host.TEMPS"))
    assert _statuses(world)[NOT_SENT] == "unproved"
    nobody = NEED.replace('"0F1"', '"280"').replace('"donor"', '"host"').replace('"can"', '"nobody waits"')
    assert _statuses(replace(world, needs=nobody))[NOT_SENT] == "open"


def test_the_engine_waits_for_what_a_needs_list_says() -> None:
    """Much of what a gearbox left behind sent is not the engine's business; with no needs list nobody knows."""
    request = "0F1 TCU_REQUEST of TCU, which is absent"
    world = replace(_world(), bridge=small_swap.BRIDGE.partition('[[messages]]\nsend = "donor.TCU')[0])
    assert _statuses(world)[request] == "unproved"
    assert _statuses(replace(world, needs=NEED.replace('"0F1"', '"1A1"')))[request] == "open"


def test_an_unplugged_recording_in_which_the_old_computer_speaks_is_none() -> None:
    host = small_swap.captures(SECONDS)["host"]
    plugged = _statuses(replace(_world(), unplugged={"host": host}))
    assert plugged["unplugged recording"] == "unproved"
    alone = host.select(np.flatnonzero(~np.isin(host.identifier, [0x0C8, 0x280])))
    assert _statuses(replace(_world(), unplugged={"host": alone}))["unplugged recording"] == "pass"
