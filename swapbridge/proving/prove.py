"""Proving room: `prove`, the one way in: a plan on the bench, judged."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.core.cautions import cautions_for
from swapbridge.core.engine_health import HealthSheet
from swapbridge.core.errors import InputError
from swapbridge.core.needs import Need
from swapbridge.core.progress import Progress, part_of
from swapbridge.language.addresses import addressed
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.plan import Plan
from swapbridge.plan.proof import ProvedFile, left_out, plan_digest
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import Bench, MakeTranslator, set_up
from swapbridge.proving.bench.long_message_rows import with_long_messages
from swapbridge.proving.bench.plant import Plant
from swapbridge.proving.case import Campaign, Case, Extras
from swapbridge.proving.faults.campaign import FULL, QUICK, CampaignInputs, chosen_tasks, tasks_for, under_way
from swapbridge.proving.judges.order import JUDGES
from swapbridge.proving.judges.recordings.evidence import misfit
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.report.overlays import overlays
from swapbridge.proving.settled_groups import Settled, settle_groups
from swapbridge.proving.verdict import Check, Verdict
from swapbridge.signalmap.signal_map import SignalMap

THOROUGHNESS = ("none", QUICK, FULL)


@contextmanager
def _without_collector() -> Iterator[None]:
    """Python's search for cycles rests meanwhile.

    A proof keeps hundreds of thousands of small records, none of which point at each other: to look them all through
    again and again took an eighth of its time.
    """
    collected = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collected:
            gc.enable()


@_without_collector()
def prove(
    plan: Plan,
    captures: Mapping[str, Capture],
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    *,
    needs: Sequence[Need] = (),
    unplugged: Mapping[str, Capture] | None = None,
    stimuli: Mapping[str, StimulusTrack] | None = None,
    health: Sequence[HealthSheet] = (),
    thoroughness: str = QUICK,
    seed: int = 0,
    only: Sequence[str] = (),
    make: MakeTranslator | None = None,
    workers: int = 1,
    inputs: Sequence[tuple[str, str]] = (),
    sources: Sequence[ProvedFile] = (),
    plant: Plant | None = None,
    more_checks: Callable[[], Sequence[Check]] | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Judge a plan on the simulated bus.

    Parameters
    ----------
    plan : Plan
        What is judged.
    captures : mapping of str to Capture
        By bus name: the donor in its own vehicle, the host with its old engine. One is enough to begin with.
    bridge : BridgeFile
        The bridge file that the plan was compiled from; content is judged by it and never by the plan.
    maps : mapping of str to SignalMap
        Signal map of each bus, by its name.
    needs : sequence of Need
        The needs list.
    unplugged : mapping of str to Capture, optional
        By bus name, recordings with the old engine computer unplugged.
    stimuli : mapping of str to StimulusTrack, optional
        By bus name, what was done to the vehicle while it was recorded; maps are checked against it.
    health : sequence of HealthSheet, optional
        Engine health sheets, for the limits of the engines and the gearbox.
    thoroughness : {"none", "quick", "full"}
        Fault campaign: none, less than half a minute, less than ten minutes.
    seed : int
        Random seed.
    only : sequence of str
        Only these faults, as the report names them ("power cut + bus errors"); all of them when empty.
    make : callable, optional
        Makes the translator under test, by default the Python one. It must be picklable when `workers` is above 1.
    workers : int
        Processes for the fault campaign.
    inputs : sequence of (str, str)
        Names and SHA-256 digests of the input files, for the report.
    sources : sequence of ProvedFile
        Bridge file and maps with their digests and paths, so that later changes are noticed; without them the proof
        permits nothing.
    plant : Plant, optional
        A model of the swapped vehicle, for the round trip.
    more_checks : callable, optional
        Further checks from rooms that this one must not import, such as real time on a virtual bus.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.

    Returns
    -------
    Verdict
        Checks, fault runs and their outcome.

    Raises
    ------
    InputError
        No capture fits the plan's buses.

    Examples
    --------
    >>> from swapbridge import compile_bridge, load_map, read_capture
    >>> from swapbridge.capture.stimulus import read_stimulus
    >>> from swapbridge.core.needs import load_needs
    >>> from swapbridge.language.reading import load_bridge
    >>> bridge, needs = load_bridge("bridge.toml"), load_needs("needs.toml")
    >>> maps = {name: load_map(path) for name, path in bridge.map_files().items()}
    >>> files = {"donor": "captures/donor_own_vehicle", "host": "captures/host_old_engine"}
    >>> captures = {bus: read_capture(f"{file}.log.gz") for bus, file in files.items()}
    >>> stimuli = {bus: read_stimulus(f"{file}.csv") for bus, file in files.items()}
    >>> plan = compile_bridge(bridge, maps).plan
    >>> prove(plan, captures, bridge, maps, needs=needs, stimuli=stimuli, thoroughness="none").outcome
    'PASSED'
    """
    tasks = chosen_tasks(thoroughness, seed, only) if only else []
    if thoroughness != "none" and not only:
        tasks = tasks_for(thoroughness, seed)
    report = progress or (lambda share, words: None)
    case = take_up(
        plan, captures, bridge, maps, needs=needs, unplugged=unplugged, stimuli=stimuli, health=health, seed=seed,
        make=make,
    )  # fmt: skip
    case.extras = Extras(plant, more_checks)
    report(0.02, "the captures go in")
    case.progress = part_of(report, 0.02, 0.12)
    with under_way(case.campaign_inputs, tasks, workers) as runs:
        case.campaign = Campaign(runs if tasks else None, thoroughness, tuple(only))
        run = case.run
        begun = 0.12
        for until, words, judge in JUDGES:
            report(begun, words)
            case.progress = part_of(report, begun, until)
            case.checks += judge(case)
            begun = until
    report(1.0, "")
    tables = case.tables
    return Verdict(
        plan_name=case.plan.name,
        plan_sha256=plan_digest(case.given.plan),
        inputs=tuple(inputs),
        seed=seed,
        thoroughness=f"{thoroughness}, only {', '.join(only)}" if only else thoroughness,
        checks=tuple(case.checks),
        coverage=tuple(tables.coverage),
        signal_times=tuple(tables.signal_times),
        bus_times=tuple(tables.bus_times),
        responses=tuple(tables.responses),
        faults=tuple(tables.faults),
        overlays=tuple(overlays(case.bench, run, case.maps)),
        curves=tuple(tables.curves),
        engines=tuple(tables.engines),
        beyond=tuple(tables.beyond),
        cautions=tuple(f"{c.title}: {c.text}" for c in cautions_for("send")),
        sources=tuple(sources),
        left_out=left_out(thoroughness, only, real_time=any(check.area == "real time" for check in case.checks)),
    )


def take_up(
    plan: Plan,
    captures: Mapping[str, Capture],
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    *,
    needs: Sequence[Need] = (),
    unplugged: Mapping[str, Capture] | None = None,
    stimuli: Mapping[str, StimulusTrack] | None = None,
    health: Sequence[HealthSheet] = (),
    seed: int = 0,
    make: MakeTranslator | None = None,
) -> Case:
    """The case that the judges look at, before any of them has run.

    Parameters
    ----------
    plan, captures, bridge, maps, needs, unplugged, stimuli, health, seed, make
        As for `prove`.

    Returns
    -------
    Case
        Bench, reference and evidence.
    """
    given = Settled(plan, dict(maps))
    captures = with_long_messages(plan, captures)
    settled = settle_groups(plan, addressed(bridge, maps), captures)
    plan, maps = settled.plan, settled.maps
    make = make or partial(Translator, given.plan)
    bench = set_up(plan, captures, Reference(bridge, maps).words_read())
    campaign_inputs = CampaignInputs(bench, bridge, maps, make)
    beside, misfits = _aligned(stimuli or {}, bench)
    return Case(
        plan, bridge, maps, needs, bench, campaign_inputs, campaign_inputs.reference(), make, given,
        unplugged=unplugged or {}, stimuli=beside, health=health, seed=seed, checks=[*settled.checks, *misfits],
    )  # fmt: skip


def _aligned(stimuli: Mapping[str, StimulusTrack], bench: Bench) -> tuple[dict[str, StimulusTrack], list[Check]]:
    """Stimulus tracks on the bench's clock, and a check for each that does not belong to its recording."""
    out, misfits = {}, []
    for number, bus in enumerate(bench.plan.buses):
        capture, track = bench.captures[number], stimuli.get(bus.name)
        if capture is None or track is None:
            continue
        try:
            laid = track.on_clock_of(capture)
        except InputError as error:
            misfits.append(misfit(error, bus.name))
            continue
        shift = bench.begin_ns[number] / 1e9
        moved = {name: replace(one, time_s=one.time_s - shift) for name, one in laid.channels.items()}
        out[bus.name] = replace(laid, channels=moved)
    return out, misfits
