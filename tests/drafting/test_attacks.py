"""Recordings that invite a dangerous rule: what asks for more all the time, a restraint's frames, a brake by chance."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from swapbridge.capture.stimulus import Channel
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.drafting.draft import draft
from swapbridge.drafting.drafted import Drafted, DraftedMessage
from swapbridge.drafting.recordings import open_swap
from swapbridge.drafting.swap_sources import Swap
from swapbridge.signalmap.signal_map import MapMessage, MapNode, ModuleKind, SignalMap
from tests.drafting.rig import Drive, Floats, Sender, drive, recordings

BEGIN_S = 1_600_000_000.0
Told = Callable[[Drive], Mapping[str, Channel]]


def nothing(d: Drive) -> Mapping[str, Channel]:
    return {}


def swap_of(
    host: Sequence[Sender] = (), donor: Sequence[Sender] = (), host_told: Told = nothing, donor_told: Told = nothing
) -> Swap:
    """The rig's swap, with more senders on either bus and more that somebody told."""
    captures, tracks = recordings(more_host=host, more_donor=donor)
    for bus, d, told in (("host", drive(1), host_told), ("donor", drive(2), donor_told)):
        tracks[bus] = replace(tracks[bus], channels={**tracks[bus].channels, **told(d)})
    return open_swap(captures, tracks)[0]


def switch(name: str, values: Floats, d: Drive) -> Channel:
    rows = np.r_[0, np.flatnonzero(np.diff(values) != 0) + 1]
    return Channel(name, BEGIN_S + d.time_s[rows] + 0.05, values[rows], "")


def made_of(drafted: Drafted, identifier: int) -> DraftedMessage:
    return next(m for m in drafted.messages if m.message.key.identifier == identifier)


@pytest.mark.parametrize("least", [30.0, 0.0])
def test_a_torque_increase_that_never_rested_has_no_safe_answer(least: float) -> None:
    """The smallest of the increases that were asked for was sent as 'off'."""

    def asked(d: Drive) -> Floats:
        return least + d.pedal * 1.2

    def told(d: Drive) -> Mapping[str, Channel]:
        at = np.sort(np.random.default_rng(3).uniform(19, d.time_s[-1] - 4, 400))
        told_nm = np.round(d.at(asked(d), at))
        told_nm[:1] = 0.0  # whatever the person says, the frames decide
        return {"torque_increase": Channel("torque_increase", BEGIN_S + at + 0.05, told_nm, "Nm")}

    sender = Sender(0x450, 0.02, False, lambda d, t: {Layout(16, 10): d.at(asked(d), t) * 2})
    made = made_of(draft(swap_of(donor=[sender], donor_told=told)), 0x450)
    if least:
        assert "safe answer was not recorded" in made.refused
        assert not made.fields
    else:
        assert {f.value for f in made.fields} == {"0"}
        assert {f.how for f in made.fields} == {"open"}


@pytest.mark.parametrize(
    "channel",
    [
        Channel("torque_increase", BEGIN_S + np.array([0.1, 40, 80]), np.ones(3)),
        Channel("torque_increase", BEGIN_S + np.array([0.1, 40, 80]), np.full(3, 40.0), "Nm"),
        Channel("cruise", BEGIN_S + np.array([0.1]), np.zeros(1), "", ("on",)),
        Channel("idle_raise", BEGIN_S + np.array([0.1, 40]), np.array([0.0, 1]), "", ("on", "resume")),
    ],
    ids=["flag", "torque", "word", "words"],
)
def test_what_asked_for_more_from_beginning_to_end_stops_the_draft(channel: Channel) -> None:
    """Its bits never moved, so that they would be repeated as recorded, for good."""
    sender = Sender(0x450, 0.02, False, lambda d, t: {Layout(16, 1): np.ones(len(t))})
    with pytest.raises(InputError, match=f"never shows {channel.name} 'off'"):
        swap_of(donor=[sender], donor_told=lambda d: {channel.name: channel})


def test_a_request_that_was_off_once_and_a_set_speed_do_not_stop_it() -> None:
    at = BEGIN_S + np.array([0.1, 40])
    swap_of(
        donor_told=lambda d: {
            "torque_increase": Channel("torque_increase", at, np.array([1.0, 0])),
            "cruise_set_speed": Channel("cruise_set_speed", at, np.array([90.0, 90]), "km/h"),
        }
    )


@pytest.mark.parametrize("kind", ["restraint", "unknown"])
def test_nothing_of_a_restraint_module_is_drafted_whatever_it_moves_with(kind: ModuleKind) -> None:
    """The person's map says whose frames these are; that they go with the engine speed is no reason to make them."""
    sender = Sender(0x450, 0.05, False, lambda d, t: {Layout(0, 16): d.at(d.rpm, t), Layout(20, 1): np.ones(len(t))})
    named = SignalMap((MapMessage("Belts", 0x450, False, 8, (), senders=("Belt",)),), (MapNode("Belt", kind),))
    drafted = draft(swap_of(donor=[sender]), maps={"donor": named})
    made = made_of(drafted, 0x450)
    assert bool(made.refused) is (kind == "restraint")
    assert drafted.named["donor"] == ("Belt",)


def overruns(d: Drive) -> Floats:
    return ((d.rpm > 1000) & (d.pedal < 1)).astype(float)


@pytest.mark.parametrize("told_of", ["both", "host"])
def test_a_brake_that_equals_a_flag_of_the_engine_is_not_drafted_from_it(told_of: str) -> None:
    """In these recordings the driver braked whenever the engine overran; in the next drive the lamps would be dark."""
    mine = Sender(
        0x118, 0.02, True, lambda d, t: {Layout(16, 1): d.at(overruns(d), t), Layout(32, 8): d.at(d.pedal, t)}
    )
    theirs = Sender(
        0x0B0, 0.02, True, lambda d, t: {Layout(20, 1): d.at(overruns(d), t), Layout(32, 8): d.at(d.pedal, t)}
    )

    def told(d: Drive) -> Mapping[str, Channel]:
        return {"brake": switch("brake", overruns(d), d)}

    swap = swap_of([mine], [theirs], told, told if told_of == "both" else nothing)
    brake = next(f for f in made_of(draft(swap), 0x118).fields if 16 in f.layout.positions)
    assert (brake.how, brake.value, brake.fallback) == ("open", "1", "1")
    assert brake.unreviewed


def test_a_brake_that_the_engine_computer_hears_by_wire_is_copied() -> None:
    """It goes with nothing that is measured, so that it is the switch."""

    def pressed(d: Drive) -> Floats:
        steps = np.random.default_rng(len(d.time_s) % 7).integers(0, 2, len(d.time_s) // 300 + 1)
        return np.repeat(steps, 300)[: len(d.time_s)].astype(float)

    mine = Sender(0x118, 0.02, True, lambda d, t: {Layout(16, 1): d.at(pressed(d), t)})
    theirs = Sender(0x0B0, 0.02, True, lambda d, t: {Layout(20, 1): d.at(pressed(d), t)})

    def told(d: Drive) -> Mapping[str, Channel]:
        return {"brake": switch("brake", pressed(d), d)}

    brake = next(f for f in made_of(draft(swap_of([mine], [theirs], told, told)), 0x118).fields)
    assert (brake.how, brake.fallback) == ("copy", "1")
    assert "donor.M_0B0" in brake.value


def test_park_or_neutral_beside_a_gear_is_copied_and_the_gear_stays_open() -> None:
    """The two were taken for one code that goes with the lever, so that the starter was never allowed to turn."""

    def lever(d: Drive) -> Floats:
        steps = np.random.default_rng(11).permutation(np.arange(4).repeat(8))
        return np.repeat(steps, len(d.time_s) // 32 + 1)[: len(d.time_s)].astype(float)

    def gear(d: Drive) -> Floats:
        low = 1 + (d.time_s // 0.7).astype(int) % 4
        return np.where(lever(d) == 3, low, np.where(lever(d) == 1, 15, 16))

    def told(d: Drive) -> Mapping[str, Channel]:
        rows = np.r_[0, np.flatnonzero(np.diff(lever(d)) != 0) + 1]
        at = BEGIN_S + d.time_s[rows] + 0.05
        return {"lever": Channel("lever", at, lever(d)[rows], "", ("P", "R", "N", "D"))}

    box = Sender(0x460, 0.02, False, lambda d, t: {Layout(16, 2): d.at(lever(d), t)})
    theirs = Sender(0x450, 0.02, False, lambda d, t: {Layout(16, 5): d.at(gear(d), t)})
    fields = made_of(draft(swap_of([box], [theirs], told, told)), 0x450).fields
    by_start = {f.layout.start: f for f in fields}
    assert (by_start[20].how, by_start[20].fallback) == ("copy", "0")
    assert "host.M_460" in by_start[20].value
    assert (by_start[16].how, by_start[16].layout.length) == ("open", 4)
    assert by_start[16].value != "0"
