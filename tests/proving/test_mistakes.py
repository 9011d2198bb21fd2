"""Prove room: seeded mistakes: a swap with one mistake in it never gets PASSED; the sound one does, with few looks."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from swapbridge.proving.verdict import Verdict
from tests.proving import catalogue, mistakes

IN_THE_SUITE = (
    "heard layout: engine speed with the other byte order",
    "heard layout: torque reference 300 for 480 Nm",
    "sent layout: coolant in degC",
    "meaning: coolant from oil temperature",
    "integrity: a wrong byte in a heard checksum",
    "integrity: a sent checksum that misses every old frame",
    "bridge rule: torque + 100 Nm",
    "wrong or damaged recording: the unplugged one as host",
    "wrong or damaged recording: a file cut short",
    "edited plan: a safe answer",
)
SEEN_LATE = (
    "sent layout: engine state codes swapped",
    "sent layout: speed to the donor in mph",
    "bridge rule: a request halved",
)
"""Of classes that the suite has, and refused by judges that take seconds before they say no."""
IN_ITS_OWN_WORDS = {
    "sent layout: engine state codes swapped": "EngineState",
    "sent layout: speed to the donor in mph": "VehicleSpeed",
}
"""What a recording said again must find: a loop through the map alone would cancel these."""
NO_EVIDENCE = {
    "heard layout: fault lamp and charge lamp on each other's bits": "FaultLamp",
    "heard layout: manifold pressure a twelfth too high": "ManifoldPressure",
    "heard layout: vehicle speed without a top bit that never moved": "BrakeData.VehicleSpeed",
    "sent layout: cylinders one bit off": "HelloCylinders",
    "bridge rule: temperatures 60 ms late": "ms after the first of them",
    "bridge rule: a pedal that is not released in doubt": "PedalReleased",
    "bridge rule: idle in doubt": "EngineData.AtIdle on (1)",
    "sent layout: lamps on each other's bits": "OilLamp",
    "sent layout: charge and fault lamp on each other's bits": "FaultLamp",
    "sent layout: oil temperature with offset -50": "OilTemp",
    "sent layout: a greeting's torque in pound-feet": "HelloTorque",
    "bridge rule: a request that is never below zero": "TorqueRequest",
    "bridge rule: 20 degC outside in doubt": "AmbientTemp",
    "bridge rule: a full tank in doubt": "FuelLevel",
    "meaning: an acknowledgement that echoes its request": "ReductionAck",
    "wrong or damaged recording: a recorder's clock half a per cent fast": "by the periods of",
    "needs: a message of the bus that is called wired": "host.PedalData is sent for it",
}
"""Mistakes of which these recordings hold no trace or that harm nobody (two lamps that are lit and dark at the same
times, a few degrees of an oil that nothing measured, a limit that no request reached, requests that were all granted,
sources that were never lost), and what is then named as not proved."""
EVERY = 35
"""Of all mistakes, one of so many is judged both ways: with a whole proof, and as the catalogue is."""
LEAST_REFUSED = 0.95


@cache
def _sound() -> mistakes.World:
    return mistakes.sound_world()


def _verdict(name: str) -> Verdict | str:
    with TemporaryDirectory() as folder:
        return mistakes.verdict_of(catalogue.ALL[name](_sound()), Path(folder))


@cache
def _judged() -> mistakes.Judged:
    with TemporaryDirectory() as folder:
        return mistakes.judged(_sound(), Path(folder))


def _refused_by(name: str, known: mistakes.Judged | None = None) -> str:
    with TemporaryDirectory() as folder:
        return mistakes.refused_by(catalogue.ALL[name](_sound()), Path(folder), known)


def _refused_beside(name: str) -> str:
    """The same beside what was said of the sound swap; with a name of its own, so that processes can call it."""
    return _refused_by(name, _judged())


def _is_sound(verdict: Verdict | str) -> None:
    assert isinstance(verdict, Verdict), verdict
    assert verdict.outcome == "PASSED", verdict.worst
    assert len(verdict.with_status("warn")) <= 3


@pytest.mark.long  # plain tests let the small sound swap pass
def test_the_sound_swap_passes_with_few_looks(tmp_path: Path) -> None:
    _is_sound(mistakes.verdict_of(_sound(), tmp_path))


@pytest.mark.parametrize("name", [*IN_THE_SUITE, *(pytest.param(name, marks=pytest.mark.long) for name in SEEN_LATE)])
def test_a_mistake_is_refused(name: str) -> None:
    assert _refused_by(name)


@pytest.mark.long
@pytest.mark.parametrize("name", IN_ITS_OWN_WORDS)
def test_own_words_find_what_cancels_out_of_a_loop(name: str) -> None:
    verdict = _verdict(name)
    assert isinstance(verdict, Verdict), verdict
    assert verdict.outcome == "FAILED"
    found = [c.subject for c in verdict.with_status("fail") if c.area == "own words"]
    assert any(subject.endswith(IN_ITS_OWN_WORDS[name]) for subject in found), found


@pytest.mark.long
@pytest.mark.parametrize("name", NO_EVIDENCE)
def test_what_leaves_no_trace_is_named_as_not_proved(name: str) -> None:
    verdict = _verdict(name)
    assert isinstance(verdict, Verdict)
    if verdict.outcome == "PASSED":
        assert any(NO_EVIDENCE[name] in f"{c.subject} {c.measured}" for c in verdict.with_status("open"))


@pytest.mark.long
@pytest.mark.timeout(900)
def test_what_is_said_beside_the_sound_swap_is_said_by_a_whole_proof() -> None:
    """One mistake of every so many: refused both ways or neither, and for a reason that the proof has too."""
    chosen = list(catalogue.ALL)[::EVERY]
    assert len(chosen) >= 12
    for name in chosen:
        verdict, refused = _verdict(name), _refused_beside(name)
        if isinstance(verdict, str):
            assert refused == verdict
            continue
        found = (c for c in verdict.checks if c.status in ("fail", "unproved"))
        no = [f"{c.area}, {c.subject}, {c.name}: {c.measured}" for c in found]
        assert bool(no) == bool(refused) == (verdict.outcome != "PASSED"), name
        assert not refused or any(refused.startswith(reason) for reason in no), (name, refused)


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1, 2])
def test_sound_swaps_of_other_drives_pass(seed: int, tmp_path: Path) -> None:
    _is_sound(mistakes.verdict_of(mistakes.sound_world(seed), tmp_path))


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_nearly_every_mistake_is_refused() -> None:
    """Of at least ninety mistakes that leave evidence at least 95 % are refused, FAILED or NOT PROVED."""
    names = [name for name in catalogue.ALL if name not in NO_EVIDENCE]
    assert len(catalogue.ALL) >= 90
    _judged()  # once: the processes that are forked have it
    with ProcessPoolExecutor(2) as pool:
        passed = [name for name, no in zip(names, pool.map(_refused_beside, names, chunksize=4), strict=True) if not no]
    assert len(passed) <= (1 - LEAST_REFUSED) * len(names), passed
