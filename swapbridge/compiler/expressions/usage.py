"""Compiler room: every function of the language: how it is written, and what it gives in a few words."""

from __future__ import annotations

USAGES: dict[str, tuple[str, str]] = {
    "choose": ("choose(condition, a, b)", "a where the condition holds, else b"),
    "min": ("min(a, b, ...)", "the smallest"),
    "max": ("max(a, b, ...)", "the largest"),
    "clamp": ("clamp(x, low, high)", "x, no lower than low and no higher than high"),
    "within": ("within(x, low, high)", "x, but invalid when it is outside low to high"),
    "abs": ("abs(x)", "x without its sign"),
    "table": ("table(x, x1: y1, x2: y2, ...) or table(x, NAME)", "straight lines between points, flat beyond the ends"),
    "lookup": ("lookup(signal, 'Name': value, ..., else value)", "one value for each choice"),
    "number": ("number(signal)", "the number behind a signal that is a list of choices"),
    "first_valid": ("first_valid(a, b, ...)", "the first that is fresh and valid"),
    "valid": ("valid(x)", "whether a signal or message is fresh and valid"),
    "age": ("age(source)", "time since the source's last good frame"),
    "awake": ("awake(bus)", "whether the bus has traffic"),
    "round_to": ("round_to(x, step)", "the nearest multiple of a step, halves away from zero"),
    "percent_of": ("percent_of(percentage, reference)", "that percentage of the reference"),
    "as_percent": ("as_percent(x, reference)", "x in percent of the reference (0 where that is 0)"),
    "lowpass": ("lowpass(x, time)", "first-order low-pass with that time constant"),
    "rate_limit": ("rate_limit(x, up[, down])", "follows x, changing by at most that much a second"),
    "hysteresis": ("hysteresis(x, on, off)", "true from on, false from off, unchanged in between"),
    "debounce": ("debounce(condition, time[, off_time])", "takes a new value only after it has lasted that long"),
    "hold": ("hold(condition, time)", "true while the condition holds and for that time afterwards"),
    "time_since": (
        "time_since(condition[, most=time])",
        "time since the condition last held (unless stated, at most 1 h)",
    ),
    "rising": ("rising(condition)", "true for one step when it becomes true"),
    "falling": ("falling(condition)", "true for one step when it becomes false"),
    "toggle": ("toggle(condition)", "changes each time the condition becomes true"),
    "delay": ("delay(x, time)", "x of that long ago, 2 s at most; valid if x was"),
    "accumulate": (
        "accumulate(rate, wrap=total)",
        "adds up a flow, a speed or a plain number per second, in whole steps",
    ),
}
"""Name: usage, words; in the order in which people are shown them."""
