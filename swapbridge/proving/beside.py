"""Proving room: sent signals beside what the absent computer said in one and the same drive, moment by moment.

The recordings of two vehicles are two drives, which can't be laid beside each other. As for the judge of own words, the
recording of one is made anew in the messages of the other, with the values of the stimulus; then both sides are of one
drive and one clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.plan import Plan
from swapbridge.proving.bench.bench import MakeTranslator
from swapbridge.proving.judges.behaviour.own_words import Floats, Reproduced, reproduced_signals
from swapbridge.proving.prove import take_up
from swapbridge.signalmap.signal_map import SignalMap

EVERY_S = 0.1
LAGS_S = np.arange(-10, 21) / 20
NEAR = 0.02
"""A value is as recorded when it is this share of the recorded range near, or a raw step."""
WINDOW_S = 0.35
"""Readings of a stimulus are a few a second: a value this near to a moment may stand for it."""


@dataclass(frozen=True, slots=True)
class AlignedInTime:
    """A signal as made beside as recorded, both of one drive.

    Attributes
    ----------
    moments : int
        So many were compared.
    lag_s : float
        What is made comes so much later (below 0: sooner).
    share : float
        Of the moments in which it is as recorded, that lag taken away.
    farthest : float
        The greatest difference in the signal's unit, made less recorded.
    farthest_at_s : float
        When that was, from the recording's beginning.
    too_little : float
        How far below what was recorded it is at most, what is said around that moment taken into account.
    by_stimulus : bool
        Whether its sources' values came from the stimulus (else from the map itself, or the same bus).
    """

    moments: int
    lag_s: float
    share: float
    farthest: float
    farthest_at_s: float
    too_little: float
    by_stimulus: bool


def aligned_in_time(
    plan: Plan,
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    captures: Mapping[str, Capture],
    stimuli: Mapping[str, StimulusTrack],
    bus: str,
    make: MakeTranslator,
) -> dict[str, AlignedInTime]:
    """Every signal that can be compared so, by BUS.MESSAGE.SIGNAL, in the recording of one bus.

    Parameters
    ----------
    make : callable
        Makes the plan's translator; it is played anew, frame by frame.

    Raises
    ------
    InputError
        The recordings do not fit the plan's buses.
    """
    case = take_up(plan, captures, bridge, maps, stimuli=stimuli, make=make)
    found = {}
    for one in reproduced_signals(case, case.names.index(bus)):
        compared = compare_in_time(one)
        if compared is not None:
            found[one.made.label] = compared
    return found


def compare_in_time(one: Reproduced) -> AlignedInTime | None:
    """What was said beside what is made, ten times a second; None where there are hardly any moments."""
    old, new = one.old, one.new
    begin, end = max(old.time_s[0], new.time_s[0]) + 1.0, min(old.time_s[-1], new.time_s[-1]) - 1.0
    moments = np.arange(begin, end, EVERY_S)
    rows = np.searchsorted(old.time_s, moments, "right") - 1
    moments, rows = moments[old.measured[rows]], rows[old.measured[rows]]
    if len(moments) < 20:
        return None
    recorded, made = old.values[rows], new.values

    def at(lag_s: float) -> Floats:
        return made[np.clip(np.searchsorted(new.time_s, moments + lag_s, "right") - 1, 0, None)]

    off = [float(np.abs(at(lag) - recorded).mean()) for lag in LAGS_S.tolist()]
    # of several lags that are as good (nothing moved, say) the one next to none
    lag_s = float(min(LAGS_S.tolist(), key=lambda lag: (round(off[LAGS_S.tolist().index(lag)], 9), abs(lag))))
    named = bool(one.made.signal.choices)
    room = 0.0 if named else max(abs(float(one.made.signal.scale)), NEAR * float(np.ptp(recorded)))
    apart = at(lag_s) - recorded
    far = int(np.argmax(np.abs(apart)))
    first = np.maximum(np.searchsorted(new.time_s, moments - WINDOW_S, "right") - 1, 0)
    last = np.maximum(np.searchsorted(new.time_s, moments + WINDOW_S, "right"), first + 1)
    highest = np.array([made[a:b].max() for a, b in zip(first.tolist(), last.tolist(), strict=True)])
    return AlignedInTime(
        len(moments),
        lag_s,
        float((np.abs(apart) <= room * (1 + 1e-9)).mean()),
        float(apart[far]),
        float(moments[far]),
        max(0.0, float((recorded - highest).max())),
        one.crosses and one.tested,
    )
