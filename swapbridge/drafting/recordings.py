"""Drafting room: from recordings to both vehicles: what is read, guessed, and laid on one clock."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import replace

from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import WANTED
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress, part_of
from swapbridge.drafting.building import build_vehicle
from swapbridge.drafting.cut_switches import cut_lamps, cut_switches
from swapbridge.drafting.never import never_off
from swapbridge.drafting.recorded_vehicle import Vehicle
from swapbridge.drafting.swap_sources import APART_S, LEAST_CHANNEL, Swap, gather
from swapbridge.drafting.weak import with_weak_channels
from swapbridge.guessing.guess import guess
from swapbridge.signalmap.findings import Findings


def open_swap(
    captures: Mapping[str, Capture],
    tracks: Mapping[str, StimulusTrack],
    *,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> tuple[Swap, dict[str, Findings]]:
    """Guess what both vehicles say, and find out who will be there.

    Parameters
    ----------
    captures : mapping of str to Capture
        By kind of recording (`WANTED`); all four are needed.
    tracks : mapping of str to StimulusTrack
        Stimulus of "host" and "donor", on the captures' clocks.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.
    executor : Executor, optional
        Runs one task per identifier; by default all run in this process.

    Returns
    -------
    tuple of (Swap, dict of str to Findings)
        Both vehicles, and the findings of each recording by its kind.

    Raises
    ------
    InputError
        A recording is missing, or shows nothing: which, and what to record.
    """
    for kind, words in WANTED.items():
        if kind not in captures:
            raise InputError(
                f"a draft needs a recording of {words}, and captures/ has none: record it, or name the file so"
            )
        if not len(captures[kind]):
            raise InputError(f"the recording of {words} holds no frames: record it again")
    _same_vehicles(captures)
    findings: dict[str, Findings] = {}
    vehicles: dict[str, Vehicle] = {}
    for number, kind in enumerate(WANTED):
        bus = kind.split()[0]
        report = part_of(progress, number / 2, (number + 1) / 2)
        if kind == bus:
            findings[kind] = guess(captures[kind], tracks.get(kind), progress=report, executor=executor)
            at = 0.0 if bus == "host" else APART_S
            found = build_vehicle(bus, captures[kind], findings[kind], tracks.get(kind), at)
            _seen_at_rest(kind, found)
            vehicles[kind] = with_weak_channels(found)
        else:
            vehicles[kind] = build_vehicle(bus, captures[kind], Findings((), (), {}), None)
    swap = gather(vehicles["host"], vehicles["donor"], vehicles["host unplugged"], vehicles["donor alone"])
    cut_switches(swap)
    cut_lamps(swap)
    if "engine_speed" not in swap.quantities:
        raise InputError(
            "the engine speed of both vehicles is not known, and without it a draft can't tell a warning or a torque "
            "from anything else: put a scan tool's stimulus file beside host_old_engine and donor_own_vehicle"
        )
    return swap, findings


def open_host(
    captures: Mapping[str, Capture],
    tracks: Mapping[str, StimulusTrack],
    *,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Swap:
    """The host beside a donor that does not exist: one that sends every quantity that the old engine's computer sent.

    A draft from it shows what a donor's computer must send, before one is bought.

    Parameters
    ----------
    captures : mapping of str to Capture
        "host" and "host unplugged".
    tracks : mapping of str to StimulusTrack
        Stimulus of "host", on the capture's clock.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.
    executor : Executor, optional
        Runs one task per identifier; by default all run in this process.

    Returns
    -------
    Swap
        The host and the donor that is asked for.

    Raises
    ------
    InputError
        A recording is missing, or shows nothing: which, and what to record.
    """
    for kind in ("host", "host unplugged"):
        if kind not in captures or not len(captures[kind]):
            raise InputError(f"an outlook needs a recording of {WANTED[kind]}, and captures/ has none: record it")
    known = {kind: {(k.identifier, k.extended) for k, _ in captures[kind].groups()} for kind in captures}
    if known["host unplugged"] == known["host"] or not known["host unplugged"] & known["host"]:
        raise InputError(
            "nothing or everything vanished from the host's bus when its engine computer was unplugged: check that "
            "both recordings are of the same car, and not the same recording"
        )
    found = guess(captures["host"], tracks.get("host"), progress=progress, executor=executor)
    host = with_weak_channels(build_vehicle("host", captures["host"], found, tracks.get("host"), 0.0))
    _seen_at_rest("host", host)
    unplugged = build_vehicle("host unplugged", captures["host unplugged"], Findings((), (), {}), None)
    donor = _asked_for(host, frozenset(unplugged.messages))
    swap = gather(host, donor, unplugged, donor)
    if "engine_speed" not in swap.quantities:
        raise InputError(
            "the engine speed of the host is not known, and without it nothing can be said of a warning or a torque: "
            "put a scan tool's stimulus file beside host_old_engine"
        )
    return swap


def _asked_for(host: Vehicle, alive: frozenset[tuple[int, bool]]) -> Vehicle:
    """A donor that sends, in the old computer's layout, what was measured of the old engine, and nothing else."""
    messages = {
        key: replace(
            m, time_s=m.time_s + APART_S,
            fields=tuple(f for f in m.fields if f.kind == "number" and f.channel_confidence >= LEAST_CHANNEL),
        )
        for key, m in host.messages.items() if key not in alive
    }  # fmt: skip
    wakes = tuple((a + APART_S, b + APART_S) for a, b in host.wakes)
    return replace(host, bus="donor", messages=messages, wakes=wakes, start_s=host.start_s - APART_S)


def _seen_at_rest(kind: str, vehicle: Vehicle) -> None:
    """Refuse a recording in which something asked the engine for more from beginning to end."""
    asked = never_off(vehicle)
    if asked:
        raise InputError(
            f"the recording of {WANTED[kind]} never shows {', '.join(asked)} 'off': a bit that never moved may be that "
            "request, and a draft would repeat it for good. Record it again, with the request off for a while"
        )


def _same_vehicles(captures: Mapping[str, Capture]) -> None:
    """Refuse recordings that can't be what their names say, before an hour is spent on them."""
    known = {kind: {(k.identifier, k.extended) for k, _ in capture.groups()} for kind, capture in captures.items()}
    if known["host unplugged"] == known["host"]:
        raise InputError(
            "nothing vanished from the host's bus when its engine computer was unplugged: check that the two "
            "recordings are not the same"
        )
    if not known["host unplugged"] & known["host"]:
        raise InputError(
            "no identifier of the unplugged host is in the recording with its old engine: check that both are of the "
            "same car"
        )
    if not known["donor alone"] & known["donor"]:
        raise InputError(
            "no identifier of the donor's computer alone is in the recording of its own vehicle: check that both are "
            "of the same car"
        )
    if known["donor"] <= known["donor alone"]:
        raise InputError(
            "every identifier of the donor's own vehicle is in the recording of its computer alone: record the "
            "computer by itself on a table, or check that the two recordings are not the same"
        )
    if len(captures["host"]) == len(captures["donor"]) and bool(
        (captures["host"].payload == captures["donor"].payload).all()
    ):
        raise InputError("the recordings of the two vehicles are the same: one of the files has the wrong name")
