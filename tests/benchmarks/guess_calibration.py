"""Calibrate what a fit is worth: random vehicles, random confounders, channels that nobody carries.

    python tests/benchmarks/guess_calibration.py [--worlds 300] [--seed 1] [--refit] [--check-seed 2]

Every world is an invented drive with engine, driver and temperatures, fields that follow a channel (any scale, width
and period), fields that merely move with it (filtered, bent, mixed), and fields that have nothing to do with it. The
features of every fit with their truth give the logistic weights in `swapbridge/guess/confidence.py` (`--refit` prints
new ones); the reliability table is made on worlds of another seed. No recording and no development set goes in.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.signal import lfilter

from swapbridge.capture.stimulus import Channel
from swapbridge.guessing.meaning import confidence
from swapbridge.guessing.meaning.align import FieldSeries, PreparedChannel
from swapbridge.guessing.meaning.matching import Work, match_message
from swapbridge.guessing.meaning.meaning import prepare_channels, weigh

Floats = npt.NDArray[np.float64]
RATE = 100.0
UNITS = {"engine_speed": "rpm", "vehicle_speed": "km/h", "pedal": "%", "coolant_temp": "degC", "brake_switch": ""}


@dataclass
class World:
    """Physical quantities at 100 a second, and what may be confused with what."""

    time: Floats
    true: dict[str, Floats]
    related: dict[str, list[Floats]]
    other: list[Floats]


def smooth(x: Floats, tau_s: float) -> Floats:
    """First-order lag."""
    a = 1 - np.exp(-1 / (RATE * max(tau_s, 1e-3)))
    return np.asarray(lfilter([a], [1, a - 1], x, zi=[(1 - a) * x[0]])[0])


def wander(rng: np.random.Generator, n: int, tau_s: float) -> Floats:
    """Random walk that forgets."""
    return smooth(smooth(rng.normal(0, 1, n) * np.sqrt(RATE * tau_s), tau_s), 0.05)


def drive(rng: np.random.Generator) -> World:
    """One invented recording: standing, blips, holds, driving through the gears, or a mixture."""
    duration = float(rng.choice([20, 30, 45, 90, 180, 240], p=[0.15, 0.15, 0.15, 0.15, 0.3, 0.1]))
    n = int(duration * RATE)
    t = np.arange(n) / RATE
    pedal, brake = np.zeros(n), np.zeros(n)
    k = 0
    drives = rng.random() < 0.75
    while k < n:
        what = rng.choice(["rest", "blip", "hold", "sweep", "brake"], p=[0.3, 0.2, 0.25, 0.1, 0.15])
        m = int(
            rng.uniform(*{"rest": (1, 8), "blip": (0.4, 1.2), "hold": (2, 10), "sweep": (4, 10), "brake": (1, 5)}[what])
            * RATE
        )
        m = min(m, n - k)
        if what == "blip":
            pedal[k : k + m] = rng.uniform(15, 90)
        elif what == "hold":
            pedal[k : k + m] = rng.uniform(5, 60)
        elif what == "sweep":
            pedal[k : k + m] = np.linspace(0, rng.uniform(40, 100), m)
        elif what == "brake":
            brake[k : k + m] = 1
        k += m
    pedal = np.clip(smooth(pedal, rng.uniform(0.05, 0.2)) + (pedal > 0) * wander(rng, n, 0.6) * 0.6, 0, 100)
    pedal[pedal < 0.4] = 0
    speed = np.zeros(n)
    gear_of = np.ones(n)
    rpm = np.full(n, 800.0)
    v, w, gear = 0.0 if rng.random() < 0.6 else rng.uniform(20, 60), 800.0, 1
    ratios = np.array([120, 68, 44, 33, 26, 21.0]) * rng.uniform(0.85, 1.15)
    idle = rng.uniform(650, 950)
    for i in range(n):
        if drives:
            pull = pedal[i] * 0.0016 * ratios[gear - 1] / 30 - 0.004 * brake[i] * (v > 0) * 10 - 0.00002 * v * v - 0.002
            v = max(v + pull, 0.0)
            target = max(idle, v * ratios[gear - 1])
            if v < 8:
                target = max(target, idle + pedal[i] * 18)
            if target > 3400 and gear < 6:
                gear += 1
            elif target < 1300 and gear > 1:
                gear -= 1
        else:
            target = idle + pedal[i] * 45
        w += (target - w) / RATE / 0.25
        speed[i], rpm[i], gear_of[i] = v, w, gear
    rpm = rpm + wander(rng, n, 0.3) * rng.uniform(2, 8)
    start = rng.uniform(15, 88)
    if duration < 60 or rng.random() < 0.3:
        coolant = start + np.cumsum(smooth(rng.normal(0.4, 1, n), 3.0)) / RATE * rng.uniform(0.05, 0.3)
    else:
        coolant = (
            np.minimum(92 - (92 - start) * np.exp(-t / rng.uniform(60, 300)), rng.uniform(75, 92))
            + wander(rng, n, 8) * 0.15
        )
    oil = start + smooth(coolant - start, rng.uniform(15, 60)) * rng.uniform(0.7, 1.2)
    throttle = 3 + smooth(pedal, rng.uniform(0.05, 0.2)) ** rng.uniform(0.85, 1.2) * rng.uniform(0.7, 1.1)
    torque = smooth(pedal * 3.2 * (1 - ((rpm - 2600) / 5200) ** 2), 0.12) - 25 * (pedal < 1) * (rpm > 1100)
    manifold = 30 + 70 * (1 - np.exp(-throttle / 22)) - rpm / 400
    related = {
        "engine_speed": [
            rpm * (1 - 0.15 * np.exp(-speed / 15)) * (speed > 0.5),
            smooth(rpm, rng.uniform(0.4, 1.5)),
            idle + smooth(pedal, 0.3) * 40,
            rpm * (0.5 + torque / 800),
        ],
        "pedal": [throttle, torque, manifold, smooth(pedal, rng.uniform(0.3, 1.0)), np.maximum(pedal - 8, 0) * 1.08],
        "vehicle_speed": [gear_of, speed * (0.3 + gear_of / 12), smooth(speed, rng.uniform(1, 3)), rpm],
        "coolant_temp": [oil, start + t * rng.uniform(0.02, 0.3), smooth(coolant, 20) * 0.8 + 0.2 * oil],
        "brake_switch": [
            smooth(brake, 0.3) * rng.uniform(20, 60),
            ((brake > 0) & (speed > 3)).astype(float),
            (smooth(brake, 3.0) > rng.uniform(0.3, 0.7)).astype(float),
            (pedal == 0).astype(float),
        ],
    }
    other = [wander(rng, n, tau) for tau in rng.choice([0.4, 1.2, 4, 12, 45], 14)]
    other += [
        t * rng.uniform(0.1, 2),
        np.cumsum(speed) / RATE / 36,
        np.cumsum(rpm) / RATE * 0.01,
        t % 7,
        np.floor(t / 3),
    ]
    other += [
        (np.sin(t / p + rng.uniform(0, 6)) > rng.uniform(-0.9, 0.9)).astype(float) for p in rng.uniform(0.5, 20, 8)
    ]
    other += [np.floor(np.clip(wander(rng, n, 6) + 2, 0, 3)) for _ in range(3)]
    true = {"engine_speed": rpm, "vehicle_speed": speed, "pedal": pedal, "coolant_temp": coolant, "brake_switch": brake}
    return World(t, true, related, other)


def likeness(a: Floats, b: Floats) -> float:
    """Largest squared correlation over delays up to 1.2 s either way."""
    best = 0.0
    if np.ptp(a) <= 0 or np.ptp(b) <= 0:
        return best
    for shift in range(-120, 121, 12):
        x, y = a[max(shift, 0) : len(a) + min(shift, 0) : 10], b[max(-shift, 0) : len(b) + min(-shift, 0) : 10]
        if np.ptp(x) > 0 and np.ptp(y) > 0:
            best = max(best, float(np.corrcoef(x, y)[0, 1] ** 2))
    return best


def tool(rng: np.random.Generator, world: World) -> dict[str, Channel]:
    """A scan tool's file: late, coarse, noisy, two to ten answers a second."""
    out = {}
    for name, value in world.true.items():
        lag, rate = rng.uniform(0.03, 0.45), rng.uniform(2, 10)
        at = np.cumsum(rng.uniform(0.75, 1.25, int(world.time[-1] * rate))) / rate
        at = at[(at > lag) & (at < world.time[-1])]
        x = np.interp(at - lag - rng.uniform(0, 0.03, len(at)), world.time, value)
        if name == "brake_switch":
            x = (x > 0.5).astype(float)
        else:
            step = {"engine_speed": 0.25, "vehicle_speed": 1.0, "pedal": 100 / 255, "coolant_temp": 1.0}[name]
            size = np.ptp(value) if rng.random() < 0.6 else np.abs(x - x.min())  # noise all along, or only when away
            x = x + rng.normal(0, 1, len(x)) * size * rng.choice([0.0, 0.001, 0.002, 0.006])
            x = np.round(x / step) * step if rng.random() < 0.8 else np.floor(x / step) * step
        out[name] = Channel(name, at, x, UNITS[name])
    return out


SCALES: dict[str, list[float]] = {
    "engine_speed": [0.125, 0.25, 0.5, 1, 2, 10, 25, 32],
    "vehicle_speed": [0.01, 1 / 256, 0.05625, 0.0625, 0.1, 0.5, 1, 1.609344, 0.01609344],
    "pedal": [0.1, 0.4, 0.5, 1, 100 / 255, 100 / 1023, 0.01],
    "coolant_temp": [1, 0.5, 0.75, 0.1, 5 / 9],
    "brake_switch": [1],
}
OFFSETS: dict[str, list[float]] = {
    "engine_speed": [0, 0, 0, -1000],
    "vehicle_speed": [0, 0, -100],
    "pedal": [0],
    "coolant_temp": [-40, -48, -50, 0],
    "brake_switch": [0],
}


def field(
    rng: np.random.Generator, world: World, value: Floats, scale: float, offset: float, *, slow: bool = False
) -> FieldSeries:
    """A quantity as a message carries it: rounded, periodic with jitter, some frames lost."""
    period = float(
        rng.choice(
            [0.1, 0.2, 0.5, 1.0] if slow else [0.01, 0.02, 0.05, 0.1, 0.2, 0.5],
            p=None if slow else [0.25, 0.3, 0.2, 0.15, 0.05, 0.05],
        )
    )
    at = np.arange(rng.uniform(0, period), world.time[-1], period)
    at = np.sort(at + rng.normal(0, 0.02 * period, len(at)))[rng.random(len(at)) > 0.01]
    raw = np.round((np.interp(at, world.time, value) - offset) / scale)
    return FieldSeries(at, raw[None, :], period)


def labelled(
    rng: np.random.Generator,
) -> tuple[list[FieldSeries], list[str | None], dict[str, PreparedChannel], list[bool]]:
    """Fields of one world and the channel that each truly follows."""
    world = drive(rng)
    series: list[FieldSeries] = []
    truth: list[str | None] = []
    held: list[bool] = []

    def add(value: Floats, scale: float, offset: float, follows: str | None, slow: bool, hold: bool) -> None:
        made = field(rng, world, value, scale, offset, slow=slow)
        if len(made.time_s) >= 12 and np.ptp(made.raw) > 0:
            series.append(made)
            truth.append(follows)
            held.append(hold)

    for name, value in world.true.items():
        switch, slow = name == "brake_switch", name == "coolant_temp"
        for _ in range(int(rng.integers(1, 4)) if rng.random() < 0.62 else 0):
            wheel = rng.uniform(0.994, 1.006) if name == "vehicle_speed" and rng.random() < 0.6 else 1.0
            if rng.random() < 0.12 and not switch:  # a layout that holds the quantity under a map of its own
                scale, offset = float(np.ptp(value)) / rng.uniform(60, 3000) + 1e-6, rng.uniform(-50, 50)
            else:
                scale, offset = float(rng.choice(SCALES[name])), float(rng.choice(OFFSETS[name]))
            add(value * wheel, scale, offset, name, slow, switch)
        for value_related in world.related[name]:
            # what agrees with a channel this closely is the same quantity to anyone, and neither right nor wrong
            same = rng.random() > 0.7 or max(likeness(value_related, v) for v in world.true.values()) > 0.997
            if not same:
                few = len(np.unique(value_related)) <= 8
                scale = (
                    1.0 if few else float(np.ptp(value_related)) / float(rng.choice([8, 14, 30, 100, 200, 1000, 20000]))
                )
                add(value_related, scale, 0.0 if few else float(rng.uniform(-50, 0)), None, slow, few)
    for value in world.other:
        few = len(np.unique(value)) <= 8
        scale = 1.0 if few else float(np.ptp(value)) / float(rng.choice([6, 30, 200, 5000])) + 1e-9
        add(value, scale, 0.0, None, bool(rng.random() < 0.3), few)
    return series, truth, prepare_channels(tool(rng, world)), held


def collect(worlds: int, seed: int) -> tuple[Floats, Floats, Floats, list[tuple[int, str]]]:
    """Features, truth and present probability of every claim in many worlds."""
    rows, right, said, where = [], [], [], []
    for w in range(worlds):
        rng = np.random.default_rng([seed, w])
        series, truth, targets, held = labelled(rng)
        matches = [
            match_message(Work((s,), ((0,),), ((False,),), ((h,),)), tuple(targets.values()))[0]
            for s, h in zip(series, held, strict=True)
        ]
        for claim in weigh(matches, targets):
            rows.append(claim.features)
            right.append(float(truth[claim.message] == claim.match.channel))
            said.append(claim.probability)
            where.append((w, claim.match.channel))
    return np.array(rows), np.array(right), np.array(said), where


HELPS = {"evidence", "luck", "designed"}
"""Features that may only raise the probability; the constant is free, all others may only lower it."""


def refit(x: Floats, y: Floats, ridge: float = 0.3) -> Floats:
    """Logistic regression with a small ridge; each weight keeps the sign that its feature means."""

    def loss(w: Floats) -> tuple[float, Floats]:
        z = x @ w
        p = 1 / (1 + np.exp(-np.clip(z, -30, 30)))
        value = float((np.logaddexp(0, z) - y * z).sum() + 0.5 * ridge * (w @ w))
        return value, x.T @ (p - y) + ridge * w

    names = confidence.NAMES
    bounds = [(None, None) if n == "constant" else (0, None) if n in HELPS else (None, 0) for n in names]
    return np.asarray(minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", bounds=bounds).x)


def reliability(p: Floats, y: Floats) -> str:
    """Table: claims by stated probability, and how many were right."""
    lines = ["   stated      claims   mean stated   right"]
    for low, high in ((0.05, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.98), (0.98, 1.001)):
        inside = (p >= low) & (p < high)
        if inside.any():
            lines.append(
                f"{low:6.2f}-{min(high, 1):4.2f} {inside.sum():8d} {p[inside].mean():12.3f} {y[inside].mean():8.3f}"
            )
    sure = p >= 0.95
    share = (sure & (y > 0)).sum() / max(y.sum(), 1)
    loss = -np.mean(np.log(np.clip(np.where(y > 0, p, 1 - p), 1e-9, 1)))
    lines.append(f"right of those at 0.95 and up: {right(y[sure]):.4f}; of right ones this sure: {share:.3f}")
    lines.append(f"Brier score {np.mean((p - y) ** 2):.4f}; log loss {loss:.4f}")
    return "\n".join(lines)


def right(y: Floats) -> float:
    """Share that was right, 0 of none."""
    return float(y.mean()) if len(y) else 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--worlds", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--check-seed", type=int, default=2)
    parser.add_argument("--refit", action="store_true")
    args = parser.parse_args()
    if args.refit:
        began = time.perf_counter()
        x, y, _, _ = collect(args.worlds, args.seed)
        weights = refit(x, y)
        print(f"{len(y)} fits of {args.worlds} worlds, {int(y.sum())} true, {time.perf_counter() - began:.0f} s")
        for name, weight in zip(confidence.NAMES, weights, strict=True):
            print(f"  {name:12s} {weight:8.3f}")
        confidence.WEIGHTS = weights
    x, y, _, where = collect(args.worlds, args.check_seed)
    p = np.array([confidence.probability(row) for row in x])
    print(f"checked on {args.worlds} worlds of seed {args.check_seed}: {len(y)} fits, {int(y.sum())} true")
    print(reliability(p, y))
    for name in UNITS:
        mine = np.array([c == name for _, c in where])
        sure = mine & (p >= 0.95)
        share = (sure & (y > 0)).sum() / max(y[mine].sum(), 1)
        print(f"  {name:14s} sure {sure.sum():5d}, right {right(y[sure]):.3f}; of true ones sure {share:.3f}")


if __name__ == "__main__":
    main()
