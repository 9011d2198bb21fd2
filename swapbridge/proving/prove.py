"""Proving room: `prove`, the one way in: a plan on the bench, judged."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.cautions import cautions_for
from swapbridge.core.errors import InputError
from swapbridge.core.needs import Need
from swapbridge.core.progress import Progress
from swapbridge.core.units import find_unit
from swapbridge.language.model import BridgeFile
from swapbridge.plan.model import Plan
from swapbridge.plan.proof import Source, left_out, plan_digest
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import Bench, MakeTranslator, Run, frames_of, set_up, simulate
from swapbridge.proving.bench.scan_tool import ask
from swapbridge.proving.faults.campaign import FULL, QUICK, Ground, chosen_tasks, run_campaign, tasks_for
from swapbridge.proving.faults.soak import soak
from swapbridge.proving.judges.content import content_checks, judge_trace
from swapbridge.proving.judges.coverage import board
from swapbridge.proving.judges.form import Frames, MessageForm, compare_forms, compare_start_up, measure, unpack_column
from swapbridge.proving.judges.key_on import key_on_checks
from swapbridge.proving.judges.origin import source_checks
from swapbridge.proving.judges.responses import judge_responses
from swapbridge.proving.judges.round_trip import Plant, judge_round_trip
from swapbridge.proving.judges.silence import judge_silence
from swapbridge.proving.judges.timing import age_limits, bus_times, signal_times
from swapbridge.proving.judges.wake_up import judge_wake_ups
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.report.pictures import thin
from swapbridge.proving.report.verdict import Check, FaultRun, Overlay, Verdict, judge
from swapbridge.signalmap.model import MapMessage, MapSignal, SignalMap

THOROUGHNESS = ("none", QUICK, FULL)
OVERLAYS = 24


def prove(
    plan: Plan,
    captures: Mapping[str, Capture],
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    *,
    needs: Sequence[Need] = (),
    unplugged: Mapping[str, Capture] | None = None,
    thoroughness: str = QUICK,
    seed: int = 0,
    only: Sequence[str] = (),
    make: MakeTranslator | None = None,
    workers: int = 1,
    inputs: Sequence[tuple[str, str]] = (),
    sources: Sequence[Source] = (),
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
    bridge, maps
        What the plan was compiled from; content is judged by them and never by the plan.
    needs : sequence of Need
        The needs list.
    unplugged : mapping of str to Capture, optional
        By bus name, recordings with the old engine computer unplugged.
    thoroughness : {"none", "quick", "full"}
        Fault campaign: none, under half a minute, under ten minutes.
    seed : int
        Seed for everything random.
    only : sequence of str
        Only these faults, as the report names them ("power cut + bus errors"); all of them when empty.
    make : callable, optional
        Makes the translator under test, by default the Python one. It must be picklable when `workers` is above 1.
    workers : int
        Processes for the fault campaign.
    inputs : sequence of (str, str)
        Names and SHA-256 of the files this came from, for the report.
    sources : sequence of Source
        Bridge file and maps with their digests and where they lie, for whoever asks later whether they changed
        (`plan.proof_file.sources_for`); without them the proof allows nothing.
    plant : Plant, optional
        A model of the swapped vehicle, for the round trip.
    more_checks : callable, optional
        Checks that need rooms this one must not know, such as real time on a virtual bus.
    progress : callable, optional
        Told share done and what is being done.

    Returns
    -------
    Verdict

    Raises
    ------
    InputError
        No capture fits the plan's buses.
    """
    tasks = chosen_tasks(thoroughness, seed, only) if only else []
    if thoroughness != "none" and not only:
        tasks = tasks_for(thoroughness, seed)
    tell = progress or (lambda share, words: None)
    make = make or partial(Translator, plan)
    bench = set_up(plan, captures, Reference(bridge, maps).words_read())
    tell(0.02, "the captures go in")
    run = simulate(bench, make, seed=seed, progress=lambda share, words: tell(0.02 + 0.1 * share, words))
    checks = source_checks(plan, bridge, maps)
    tell(0.12, "content")
    ground = Ground(bench, bridge, maps, make)
    reference = ground.reference()
    contents = judge_trace(plan, reference, run.device.trace or [])
    if (asked := ask(bench, bridge, make, seed)) is not None:
        contents.add_answers(judge_trace(plan, ground.reference(), asked.device.trace or []))
    checks += content_checks(plan, contents, reference)
    tell(0.2, "form")
    checks += [*form_checks(bench, run, reference), *key_on_checks(bench, run, maps)]
    tell(0.25, "a silent bus")
    checks += [*judge_silence(bench, ground.reference(), make), *judge_wake_ups(bench, ground.reference, make)]
    times, time_checks = signal_times(plan, run, maps)
    loads, load_checks = bus_times(bench, run)
    responses, response_checks = judge_responses(bench, run, maps)
    checks += [*time_checks, *age_limits(plan), *load_checks, *response_checks]
    faults: list[FaultRun] = []
    if tasks:
        faults = run_campaign(
            ground,
            tasks,
            workers=workers,
            progress=lambda share, words: tell(0.3 + 0.6 * share, words),
        )
        if thoroughness == FULL and not only:
            tell(0.9, "an hour-long soak")
            faults.append(soak(ground))
        checks += fault_checks(faults)
    if plant is not None:
        tell(0.92, "closed loop")
        checks += judge_round_trip(plan, make, plant)
    if more_checks is not None:
        tell(0.96, "real time")
        checks += more_checks()
    coverage, need_checks = board(bench, bridge, maps, needs, unplugged or {}, checks)
    checks += need_checks
    tell(1.0, "")
    return Verdict(
        plan_name=plan.name,
        plan_sha256=plan_digest(plan),
        inputs=tuple(inputs),
        seed=seed,
        thoroughness=f"{thoroughness}, only {', '.join(only)}" if only else thoroughness,
        checks=tuple(checks),
        coverage=tuple(coverage),
        signal_times=tuple(times),
        bus_times=tuple(loads),
        responses=tuple(responses),
        faults=tuple(faults),
        overlays=tuple(overlays(bench, run, maps)),
        cautions=tuple(f"{c.title}: {c.text}" for c in cautions_for("send")),
        sources=tuple(sources),
        left_out=left_out(thoroughness, only),
    )


def form_checks(bench: Bench, run: Run, reference: Reference) -> list[Check]:
    """Every message the plan sends: present, and in the old sender's form; `reference` has heard the whole run."""
    maps = reference.maps
    out: list[Check] = []
    sent = run.by_word()
    patterns: dict[int, dict[str, MessageForm]] = {}
    forms: dict[int, dict[str, MessageForm]] = {}
    for send in bench.plan.sends:
        if send.request is not None:
            continue
        rows = sent.get((send.bus, send.word), [])
        message = maps[bench.plan.buses[send.bus].name].by_word(send.word)
        out.append(
            judge(
                "form",
                send.name,
                "present",
                bool(rows),
                f"{len(rows):,} frames",
                "sent while its bus is awake",
                "check its states, and whether its sources are in the capture",
            )
        )
        if not rows:
            continue
        safe = {f.name: frozenset({f.fallback}) for v in send.variants for f in v.fields if f.fallback is not None}
        ours = measure(frames_of(rows), message, safe)
        recorded = bench.recorded(send.bus, send.word)
        if recorded is None or len(recorded) < 2:
            out += _without_pattern(send.name, ours, message, send.period_us / 1000)
            continue
        pattern = measure(recorded, message)
        periodic = bool(send.period_us) and not send.gap_us
        out += compare_forms(send.name, pattern, ours, message, periodic=periodic)
        patterns.setdefault(send.bus, {})[send.name] = pattern
        forms.setdefault(send.bus, {})[send.name] = ours
    for bus, found in patterns.items():
        name = bench.plan.buses[bus].name
        # recordings begin a millisecond before their first frame; the translator wakes with the first bus that does
        wakes = min((int(t.start_ns[0]) for t in bench.traffic if len(t)), default=0)
        out += compare_start_up(f"bus {name}", found, forms[bus], (0, wakes), key_on_ns(reference, bus))
    return out


def key_on_ns(reference: Reference, bus: int) -> dict[str, int]:
    """When the key first let each network-management message of a bus be sent, by its name."""
    return {
        f"{reference.bridge.buses[bus].name}.{target.message.name}": target.schedule.began * 1000
        for (number, _), target in reference.targets.items()
        if number == bus and target.rule.network_management and target.schedule.began is not None
    }


def _without_pattern(name: str, ours: MessageForm, message: MapMessage | None, period_ms: float) -> list[Check]:
    """No frames of the old sender: the map says what can be judged."""
    out = []
    wanted = float(message.period_ms) if message is not None and message.period_ms else period_ms
    if wanted and ours.period_ms:
        out.append(
            judge(
                "form",
                name,
                "period",
                abs(ours.period_ms - wanted) <= 0.02 * wanted,
                f"{ours.period_ms:.2f} ms",
                f"{wanted:g} ms by the map, within 2 % (no old frames to compare with)",
                f"set period_ms = {wanted:g} for this message in the bridge file",
            )
        )
    if ours.counter_bad is not None:
        out.append(
            judge("form", name, "counter", ours.counter_bad == 0, f"{ours.counter_bad:,} wrong steps", "none", "")
        )
    if ours.checksum_seen:
        wrong = f"{ours.checksum_bad:,} wrong of {ours.checksum_seen:,}"
        out.append(judge("form", name, "checksum", ours.checksum_bad == 0, wrong, "none", ""))
    return out


def fault_checks(faults: Sequence[FaultRun]) -> list[Check]:
    """One check a fault alone, one for all pairs, one for each pair that failed."""
    out = []
    for run in faults:
        label = " + ".join(run.faults)
        if len(run.faults) > 1 and run.status == "pass":
            continue
        out.append(
            Check(
                "faults",
                label,
                "reaction",
                run.status,
                "; ".join(run.problems[:2]) or f"{run.frames_sent:,} frames, all as they must be",
                "safe answers, planned identifiers and rates, recovery",
                "" if run.status == "pass" else f"see when and where it differs: --only '{label}' with the same seed",
            )
        )
    pairs = [f for f in faults if len(f.faults) > 1]
    if pairs:
        bad = sum(f.status == "fail" for f in pairs)
        out.append(
            judge(
                "faults",
                "two faults at once",
                "reaction",
                bad == 0,
                f"{len(pairs) - bad} of {len(pairs)} pairs passed",
                "all",
                "see the pairs that failed",
            )
        )
    return out


def overlays(bench: Bench, run: Run, maps: Mapping[str, SignalMap]) -> list[Overlay]:
    """Source and sent signal over time, for the fields made from one source signal."""
    out: list[Overlay] = []
    plan = bench.plan
    sent = run.by_word()
    places = {e.name: (r.bus, r.word, e.layout) for r in plan.receives for n in r.feeds for e in plan.feeds[n].extracts}
    for send in plan.sends:
        rows = sent.get((send.bus, send.word), [])
        for field in send.variants[0].fields:
            names = [n for n in places if n in field.expression]
            if len(out) >= OVERLAYS or len(names) != 1 or len(rows) < 2 or len(send.variants) > 1:
                continue
            bus, word, _ = places[names[0]]
            source = bench.recorded(bus, word)
            message = maps[plan.buses[bus].name].by_word(word)
            target = maps[plan.buses[send.bus].name].by_word(send.word)
            if source is None or message is None or target is None:
                continue
            from_signal, to_signal = message.signal(names[0].rsplit(".", 1)[-1]), target.signal(field.name)
            if from_signal is None or to_signal is None or from_signal.mux_values:
                continue
            scale, shift, unit = _shown_in(from_signal.unit, to_signal.unit)
            out.append(
                Overlay(
                    f"{send.name}.{field.name} = {field.expression}",
                    names[0],
                    unit,
                    tuple((t, round(v * scale + shift, 6)) for t, v in _points(source, from_signal)),
                    f"{send.name}.{field.name}",
                    to_signal.unit,
                    _points(frames_of(rows), to_signal),
                )
            )
    return out


def _shown_in(unit: str, other: str) -> tuple[float, float, str]:
    """Factor and shift that show a source in the sent signal's unit, where both are of one kind."""
    try:
        scale, shift = find_unit(unit).conversion(find_unit(other))
    except InputError:
        return 1.0, 0.0, unit
    return float(scale), float(shift), other


def _points(frames: Frames, signal: MapSignal) -> tuple[tuple[float, float], ...]:
    """A signal's measurements over time, for a picture; codes that are none leave a gap."""
    raw = unpack_column(signal.layout, frames.payload)
    keep = ~np.isin(raw, [*signal.not_available, *signal.error_codes])
    physical = raw[keep].astype(np.float64) * float(signal.scale) + float(signal.offset)
    return thin(frames.time_ns[keep] / 1e9, physical)
