"""Guessing room, meaning side: from what a fit shows to the probability that the field truly follows the channel."""

from __future__ import annotations

import numpy as np

from swapbridge.guessing.meaning.align import Floats, PreparedChannel
from swapbridge.guessing.meaning.fit import Fit
from swapbridge.guessing.meaning.word_channels import TableFit

NAMES = (
    "constant",
    "shape",
    "worst",
    "unexplained",
    "rough",
    "far",
    "evidence",
    "luck",
    "rival",
    "designed",
    "coarse",
    "shape x evidence",
    "unexplained x evidence",
)
"""What the probability is made of; see `features`."""


def features(fit: Fit, target: PreparedChannel, rival: float | None, saved_bits: float) -> Floats:
    """Numbers that the logistic model weighs, in the order of `NAMES`.

    Parameters
    ----------
    fit : Fit
        The fit.
    target : Target
        The channel.
    rival : float or None
        `unexplained` of the best fit of the channel over all fields; None where this is the best.
    saved_bits : float
        How much the snapped pair saved (`snap.Snapped`).

    Returns
    -------
    (len(NAMES),) float64
        The features.
    """
    shape = float(np.log10(max(np.sqrt(fit.shape), 0.003))) + 2.0
    left = float(np.log10(max(1 - fit.r2_held, 3e-4))) + 2.5
    evidence = float(np.log10(np.clip(target.steps, 1, 300))) - 1.5
    return np.array(
        [
            1.0,
            shape,
            np.log10(max(fit.worst, 0.006)) + 1.7,
            left,
            np.log(np.clip(fit.rough, 0.8, 6.0)) - 0.7,
            min(fit.far, 0.3) * 10,
            evidence,
            luck(target) / 4 - 1.0,
            0.0 if rival is None else float(np.log10(max(unexplained(fit, target), 1e-9) / max(rival, 1e-9))),
            np.clip(saved_bits, 0.0, 16.0) / 8 - 1.0,
            coarseness(fit, target),
            shape * evidence,
            left * evidence,
        ]
    )


def coarseness(fit: Fit, target: PreparedChannel) -> float:
    """From 0 to 1: how much of its shape a field of few levels could hide, its steps larger than the channel's own."""
    few = max(0.0, 1.0 - float(np.log2(max(fit.levels, 2))) / 5.5)
    steps = abs(fit.scale) * fit.step / max(target.quantum, target.noise, 1e-12)
    return few * float(np.clip(np.log10(max(steps, 1.0)), 0.0, 1.0))


def luck(target: PreparedChannel) -> float:
    """Powers of ten against chance: how rarely unrelated steps would fall together with the channel's, at most 8.

    One step may be met anywhere within the lags that are tried, each further one within some 0.4 s.
    """
    duration = max(float(target.time_s[-1] - target.time_s[0]), 2.0)
    return float(min(np.log10(duration) + (max(target.steps, 1) - 1) * np.log10(duration / 0.4), 8.0))


def unexplained(fit: Fit, target: PreparedChannel) -> float:
    """Shaped residual as a share of the channel's movement, with a floor that its noise sets."""
    floor = (target.noise / max(target.spread, 1e-12)) ** 2 / max(fit.samples, 1) ** 0.5
    return float(fit.shape + 0.1 * fit.worst**2 + floor + 1e-5)


WEIGHTS: Floats = np.array([-0.24, -0.91, 0.0, -2.24, 0.0, -10.41, 0.0, 0.47, -0.89, 2.49, -6.7, -1.02, -1.06])
"""From `tests/benchmarks/guess_calibration.py --refit`: invented worlds only, no recording."""
LUCKY_FIELDS = 30
"""Fields of a vehicle that step about as seldom as a channel that hardly moves (common practice, no source)."""


def probability(values: Floats) -> float:
    """Probability that the field follows the channel, from `features`.

    A channel that stepped once or twice is met by some of a vehicle's fields by plain chance, however well it fits:
    that many wrong ones are expected beside the right one.
    """
    model = float(1 / (1 + np.exp(-np.clip(values @ WEIGHTS, -30, 30))))
    by_luck = float(LUCKY_FIELDS * 10.0 ** -(4.0 * (float(values[NAMES.index("luck")]) + 1.0)))
    return model / (1.0 + by_luck)


def table_probability(table: TableFit) -> float:
    """Probability that a field's values stand for a channel's words.

    Grows with what the table gains beyond the commonest word on held-out stretches, and with the number of changes it
    met: two changes can be met by chance, ten can't.
    """
    gain = min(table.gain, max(table.held, 0.0) + 0.1)
    logit = 14.0 * (gain - 0.85) + 1.2 * np.log2(max(table.changes, 1) / 4)
    return float(np.clip(1 / (1 + np.exp(-logit)), 0.0, 0.97 if table.changes < 6 else 0.995))
