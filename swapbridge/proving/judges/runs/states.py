"""Proving room: compares the translator's states with what was done: key on with the key, running with the engine."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from swapbridge.core.vocabulary import KEY_OFF_WORDS
from swapbridge.core.vocabulary import plain as same_name
from swapbridge.language.bridge_file import Written
from swapbridge.plan.plan import STATES
from swapbridge.proving.case import Case, reads
from swapbridge.proving.judges.recordings.driving import CRANKING_RPM, RUNNING_RPM, channel_of, engine_speed, held_at
from swapbridge.proving.verdict import Check, check_of

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
GRID_S = 0.02
SETTLED_S, READ_S = 0.3, 0.6
"""Near a move nothing is judged: notes are no more exact, and engine speed is read a few times a second."""
FRESH_S = 1.0
"""A reading holds no longer than this."""
FEWEST = 15
MOSTLY, HARDLY = 0.8, 0.2
RUN = STATES.index("run")
ON = tuple(STATES.index(s) for s in ("key_on", "crank", "run"))
ASLEEP = STATES.index("asleep")


def judge_states(case: Case) -> list[Check]:
    """Two checks for the engine, one for each word of the key; the reference has heard the whole run."""
    taken, rules = case.reference.states_taken, case.bridge.states
    if not taken:
        return []
    times = np.array([us for us, _ in taken]) / 1e6
    grid = np.arange(times[0], max(float(t.received_ns[-1]) for t in case.bench.traffic if len(t)) / 1e9, GRID_S)
    state = np.array([s for _, s in taken])[np.searchsorted(times, grid, "right") - 1]
    buses = range(len(case.names))
    engine = _only_bus(case, rules.run)
    if engine is None:
        engine = next((n for n in buses if case.bridge.buses[n].holds_engine), None)
    speed = engine_speed(case, engine) if engine is not None else None
    if speed is None:
        return []
    near = [held_at(speed, grid + shift) for shift in (-READ_S, 0.0, READ_S)]
    read = grid - speed.time_s[np.maximum(np.searchsorted(speed.time_s, grid, "right") - 1, 0)] < FRESH_S
    awake = state != ASLEEP  # both buses may sleep while the other drive goes on
    runs: Flags = np.logical_and.reduce([awake, read, *(rpm > RUNNING_RPM for rpm in near)])
    stands: Flags = np.logical_and.reduce([awake, read, *(rpm < CRANKING_RPM for rpm in near)])
    out: list[Check] = []
    if rules.run is not None:
        out += _share("run", "while the engine runs", state[runs] == RUN, wanted=True)
        out += _share("run", "while the engine is stopped", state[stands] == RUN, wanted=False)
    elif rules.key_on is not None and runs.sum() >= FEWEST:
        out.append(
            check_of(
                "form", "state run", "while the engine runs", False, "never: the bridge file has no rule for it",
                "state run while the engine runs; otherwise everything sent depends on the key's message alone",
                "state run under [states] in the bridge file, from the engine's speed or state", otherwise="unproved",
            )
        )  # fmt: skip
    if rules.key_on is not None:
        out += _keyed(case, rules.key_on, grid, state)
    return out


def _only_bus(case: Case, rule: Written | None) -> int | None:
    """The bus that a rule reads, where it reads one only."""
    read = {bus for bus, _, _ in reads(case.bridge, rule)[0]} if rule is not None else set()
    return case.names.index(read.pop()) if len(read) == 1 and read <= set(case.names) else None


def _keyed(case: Case, rule: Written, grid: Floats, state: npt.NDArray[np.int64]) -> Iterator[Check]:
    """Each word of the key against the state, in the drive whose bus the rule reads and for as long as it was recorded.

    With the key off an engine of the other drive may run, so that only the state `key_on` itself is wrong then.
    """
    bus = _only_bus(case, rule)
    channel = channel_of(case, bus, "key_state") if bus is not None else None
    if bus is None or channel is None or not channel.texts or not len(case.bench.traffic[bus]):
        return
    before, now, after = (np.searchsorted(channel.time_s, grid + s, "right") - 1 for s in (-SETTLED_S, 0.0, SETTLED_S))
    recorded = grid < float(case.bench.traffic[bus].received_ns[-1]) / 1e9
    settled = recorded & (state != ASLEEP) & (before == now) & (now == after) & (now >= 0)
    word = channel.value[np.maximum(now, 0)].astype(int)
    for number, text in enumerate(channel.texts):
        here, off = state[settled & (word == number)], same_name(text) in KEY_OFF_WORDS
        on = np.isin(here, ON[:1] if off else ON)
        yield from _share("key_on", f"with the key at {text}", on, wanted=not off)


def _share(name: str, when: str, there: Flags, *, wanted: bool) -> Iterator[Check]:
    if len(there) < FEWEST:
        return
    share = float(there.mean())
    yield check_of(
        "form",
        f"state {name}",
        when,
        share >= MOSTLY if wanted else share <= HARDLY,
        f"{100 * share:.0f} % of that time",
        "all the time" if wanted else "never",
        f"correct {name} of [states] in the bridge file, or the codes of its source in the map",
    )
