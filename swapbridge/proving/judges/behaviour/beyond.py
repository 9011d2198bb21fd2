"""Proving room: what no recording of sound vehicles holds, and the safe answer that is chosen for each."""

from __future__ import annotations

from swapbridge.core.roles import find_role
from swapbridge.proving.case import Case, SentSignal
from swapbridge.proving.verdict import Beyond, Check
from swapbridge.signalmap.signal_map import MapSignal

NEVER_HELD: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("overheating", ("coolant_temperature", "oil_temperature")),
    ("lost oil pressure", ("oil_pressure", "oil_pressure_lamp")),
    ("a dead alternator", ("charge_lamp", "alternator_load")),
    ("limp mode of either computer", ("malfunction_lamp", "actual_torque", "throttle_position")),
    ("a stability intervention", ("torque_reduction_request", "torque_increase_request")),
    ("a crash", ("crash",)),
)
"""Events that no recording of sound vehicles holds, and the roles that would report it."""


def judge_beyond(case: Case) -> list[Check]:
    """Nothing is judged: the table of the report is filled."""
    for what, aliases in NEVER_HELD:
        roles = {find_role(alias).name for alias in aliases}
        mine = [m for m in case.made if m.role is not None and m.role.name in roles]
        answers = [f"{m.label} says {answer} without its source" for m in mine if (answer := safe_answer(m))]
        words = (
            "; ".join(answers)
            if answers
            else "nothing that is sent reports it: the vehicle's own gauges and wiring must"
        )
        case.tables.beyond.append(Beyond(what, words))
    return []


def safe_answer(made: SentSignal) -> str:
    """What a signal says in doubt, in words; "" where it has no answer."""
    return "" if made.safe_raw is None else in_words(made.signal, made.safe_raw)


def in_words(signal: MapSignal, raw: int) -> str:
    """A raw value in words."""
    if raw in signal.not_available:
        return "'not available'"
    if raw in signal.error_codes:
        return "its error code"
    if raw in signal.choices:
        return f"'{signal.choices[raw]}'"
    if signal.layout.length == 1:
        return "on (1)" if raw else "off (0)"
    return f"{float(signal.physical(raw)):.7g} {signal.unit}".rstrip()
