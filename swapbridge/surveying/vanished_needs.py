"""Surveying room: identifiers that vanished, written as a needs list: what a translator must supply in their place.

The form is that of `core.needs`. Two captures say who stopped sending, never who waits for it: `module` is left for the
user to fill in from the fault codes that the modules set.
"""

from __future__ import annotations

from fractions import Fraction

from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.needs import Need, needs_to_toml
from swapbridge.surveying.compare import Comparison, Missing
from swapbridge.surveying.survey_result import IdentifierSurvey

UNKNOWN_MODULE = "unknown"
_ROUND_STEPS_MS = (Fraction(100), Fraction(50), Fraction(10), Fraction(5), Fraction(1), Fraction(1, 2))
_ROUND_SHARE = 0.015
"""How far a measured period may be from the round one that its sender was given."""


def needs_toml(comparison: Comparison, bus: str | None = None) -> str:
    """Text of a needs list with what vanished from the first capture to the second.

    Parameters
    ----------
    bus : str, optional
        What the bridge file calls this bus; by default the capture's own names.
    """
    needs = tuple(_need(one, bus) for one in comparison.vanished)
    head = (
        f"Sent in {comparison.a.source}, no longer in {comparison.b.source}.\n"
        "Set module to whoever waits for it: read every module's fault codes before and after.\n"
        'how is "can", "wired", "licensed programming" or "nobody waits".'
    )
    return needs_to_toml(needs, head)


def _need(one: Missing, bus: str | None) -> Need:
    seen = one.identifier
    return Need(
        module=UNKNOWN_MODULE,
        bus=seen.bus if bus is None else bus,
        word=identifier_word(seen.identifier, seen.extended),
        period_ms=round_period(seen) if seen.sending in ("cyclic", "mixed") else None,
        length=seen.length,
        note="; ".join(_notes(one)),
    )


def _notes(one: Missing) -> list[str]:
    seen = one.identifier
    notes = []
    if seen.sending == "wake-up":
        notes.append("only seen right after wake-up")
    elif seen.sending == "rare":
        notes.append("sent less than once a second")
    elif seen.sending == "event":
        notes.append("sent when something happens, without a fixed period")
    notes += seen.hints
    if not one.sure:
        notes.append("too seldom to be sure that it is gone: record longer")
    return notes


def round_period(seen: IdentifierSurvey) -> Fraction:
    """The round period in ms that the measured one stands for, within 1.5 %; else the measured one to 0.1 ms."""
    measured = Fraction(seen.period_ms)
    for step in _ROUND_STEPS_MS:
        round_one = round(measured / step) * step
        if round_one and abs(round_one - measured) <= measured * Fraction(_ROUND_SHARE):
            return round_one
    return max(Fraction(round(measured * 10), 10), Fraction(1, 10))
