"""Guessing room: how sure a field, a counter, a check or a multiplexer is, from what it rests on: logistic models.

The weights come from `tests/benchmarks/guess_integrity.py --refit`: invented vehicles, short recordings and lossy ones;
those of fields from labelled recordings too, since invented traffic is harder to cut than a vehicle's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Affine
from swapbridge.guessing.integrity.checksums import FoundChecksum
from swapbridge.guessing.integrity.counters import FoundCounter

Floats = npt.NDArray[np.float64]

COUNTER_NAMES = (
    "constant",
    "steps",
    "rounds",
    "odd step",
    "misses",
    "by clock",
    "now and then",
    "narrow",
    "in step",
    "alike",
)
CHECK_NAMES = ("constant", "equations", "messages alike", "no name", "follows", "not told apart", "spills over")
MUX_NAMES = ("constant", "saved", "narrow", "pages")
FIELD_NAMES = (
    "constant",
    "share of cuts",
    "changes",
    "flag",
    "few states",
    "two bits",
    "crosses",
    "odd place",
    "touches",
    "moves with",
    "alone",
    "page",
)
LEAST, MOST = 0.02, 0.998


def counter_features(found: FoundCounter, in_step: bool) -> Floats:
    """Numbers that the model of counters weighs, in the order of `COUNTER_NAMES`."""
    span = found.counter.high - found.counter.low + 1
    return np.array(
        [
            1.0,
            np.log2(max(found.steps, 1)) - 8.0,
            np.log2(1.0 + found.wraps) - 5.0,
            float(found.counter.step != 1),
            min(10.0 * (1.0 - found.share), 1.0),
            float(found.by_clock),
            float(found.every > 1),
            float(span <= 4),
            float(in_step),
            np.log2(1.0 + found.shared),
        ]
    )


def check_features(found: FoundChecksum) -> Floats:
    """Numbers that the model of checks weighs, in the order of `CHECK_NAMES`."""
    follows = found.distinguished is not None
    return np.array(
        [
            1.0,
            np.log2(1.0 + min(found.equations, 1000)) - 6.0,
            np.log2(1.0 + found.shared),
            float(isinstance(found.method, Affine) and not found.method.name and not follows),
            float(follows),
            float(found.distinguished == 0),
            float(found.distinguished == 2),
        ]
    )


def mux_features(values: int, bits: int, saved_bits: float) -> Floats:
    """Numbers that the model of multiplexers weighs, in the order of `MUX_NAMES`."""
    return np.array([1.0, np.log2(max(saved_bits, 1.0)) - 9.0, float(bits == 1), np.log2(values) - 2.0])


@dataclass(frozen=True, slots=True)
class Standing:
    """What speaks for one field of a cut.

    Attributes
    ----------
    share : float
        Share of all cuts, weighed by their code length, that hold it.
    changes : int
        Steps in which it changes.
    length, low : int
        Its bits from the lowest live one to the highest, and the weight of the lowest in its byte.
    states : bool
        Whether its values are codes: a flag or an enumeration.
    touches : int
        On how many of its two ends another field stands without a dead bit between.
    together : float
        Of the steps in which it or such a neighbour changes, whichever does more seldom, the share in which both do;
        the most of its neighbours.
    page : bool
        Whether it stands on a page of a multiplexer.
    """

    share: float
    changes: int
    length: int
    low: int
    states: bool
    touches: int
    together: float
    page: bool


def field_features(at: Standing) -> Floats:
    """Numbers that the model of fields weighs, in the order of `FIELD_NAMES`."""
    share = min(max(at.share, 0.001), 0.9995)
    return np.array(
        [
            1.0,
            np.log(share / (1.0 - share)),
            np.log2(1.0 + min(at.changes, 1000)) - 5.0,
            float(at.length == 1),
            float(at.states and at.length > 2),
            float(at.length == 2),
            float(at.low + at.length > 8),
            float(at.length > 2 and at.low not in (0, 4) and (at.low + at.length) & 7 != 0),
            float(at.touches),
            at.together if at.touches else 0.0,
            float(at.touches == 0),
            float(at.page),
        ]
    )


COUNTER_WEIGHTS: Floats = np.array([4.52, 0.31, 0.42, -2.29, -2.06, -0.94, -1.83, -1.62, 0.0, 0.4])
CHECK_WEIGHTS: Floats = np.array([3.81, 0.23, 1.21, -4.58, 0.0, 0.0, 0.0])
MUX_WEIGHTS: Floats = np.array([0.68, 0.53, 0.0, 0.0])
FIELD_WEIGHTS: Floats = np.array([2.31, 0.42, 0.22, -1.01, -1.12, -0.77, -0.18, -0.28, 0.0, -1.86, 0.0, -0.33])
WEIGHTS = {"field": FIELD_WEIGHTS, "counter": COUNTER_WEIGHTS, "checksum": CHECK_WEIGHTS, "mux": MUX_WEIGHTS}
BY_HABIT = 0.7
"""The highest confidence where two go in step, or one relation gives several fields, and only habit decides which is
the check: invented vehicles keep to the habit, and so can't say how many makers do."""


def by_habit(alike: int) -> float:
    """The same where so many other messages of the vehicle have their check at the same place (rule of succession)."""
    return (alike + 2 * BY_HABIT) / (alike + 2)


def trust_probability(kind: str, features: Floats, weights: dict[str, Floats] = WEIGHTS, most: float = MOST) -> float:
    """Probability that a claim of this kind is right; `most` is what doubts that no feature knows leave of it."""
    model = float(1.0 / (1.0 + np.exp(-np.clip(features @ weights[kind], -30.0, 30.0))))
    return round(min(max(model, LEAST), most), 4)


def counter_ceiling(alike: int | None) -> float:
    """The highest probability that is stated of a counter.

    Parameters
    ----------
    alike : int or None
        As for `by_habit`; None where nothing else may be the counter.

    Returns
    -------
    float
        From 0 to 1.
    """
    return MOST if alike is None else by_habit(alike)


def check_ceiling(found: FoundChecksum) -> float:
    """The highest probability that is stated of a check.

    It is lower where something else may be the check, and where other units or constants fit as well.

    Parameters
    ----------
    found : FoundChecksum

    Returns
    -------
    float
        From 0 to 1.
    """
    elsewhere = found.distinguished == 0 or found.rivals or found.half
    most = BY_HABIT if found.open else by_habit(found.shared) if elsewhere else MOST
    return min(most, MOST if found.tied is None else by_habit(found.same_units))


def counter_probability(found: FoundCounter, alike: int | None) -> float:
    """Of a counter; `alike` as for `counter_ceiling`."""
    return trust_probability("counter", counter_features(found, alike is not None), most=counter_ceiling(alike))


def check_probability(found: FoundChecksum) -> float:
    """Of a check: that it is one, stands there, and is made of these units where others fit as well."""
    return trust_probability("checksum", check_features(found), most=check_ceiling(found))


def field_probability(at: Standing) -> float:
    """Of a plain field: that its bits are these and no others."""
    return trust_probability("field", field_features(at))


def mux_ceiling(habit: bool) -> float:
    """The highest probability that is stated of a multiplexer; `habit` where others pick the same pages."""
    return BY_HABIT if habit else MOST


def mux_probability(values: int, bits: int, saved_bits: float, habit: bool = False) -> float:
    """Of a multiplexer; `habit` as for `mux_ceiling`."""
    return trust_probability("mux", mux_features(values, bits, saved_bits), most=mux_ceiling(habit))
