"""Proving room: the judges, in the order in which they look at a case. A new one is a file in a folder and a line here.

A judge takes the `Case` and returns checks; what it finds beside them (times, curves) it leaves in `case.tables`. What
earlier judges said is in `case.checks`.
"""

from __future__ import annotations

from collections.abc import Callable

from swapbridge.proving.case import Case
from swapbridge.proving.judges.behaviour.asleep import judge_asleep
from swapbridge.proving.judges.behaviour.beyond import judge_beyond
from swapbridge.proving.judges.behaviour.coverage import judge_needs
from swapbridge.proving.judges.behaviour.life import judge_life
from swapbridge.proving.judges.behaviour.own_words import judge_own_words
from swapbridge.proving.judges.behaviour.safe_answers import judge_safe_answers
from swapbridge.proving.judges.behaviour.same_curve import judge_same_curve
from swapbridge.proving.judges.behaviour.slow_rules import judge_slow_rules
from swapbridge.proving.judges.frames.sent_content import judge_content
from swapbridge.proving.judges.frames.sent_form import judge_form, judge_rules, judge_shape
from swapbridge.proving.judges.maps.by_stimulus import judge_by_stimulus, judge_recorded
from swapbridge.proving.judges.maps.cold_soak import judge_cold_soak
from swapbridge.proving.judges.maps.drivetrain import judge_drivetrain
from swapbridge.proving.judges.maps.ends import judge_ends
from swapbridge.proving.judges.maps.engine_sense import judge_engine_sense
from swapbridge.proving.judges.maps.engines import judge_engines
from swapbridge.proving.judges.maps.leads import judge_leads
from swapbridge.proving.judges.maps.pedal_travel import judge_pedal_travel
from swapbridge.proving.judges.maps.plausible import judge_plausible
from swapbridge.proving.judges.maps.roles_match import judge_roles
from swapbridge.proving.judges.maps.signs import judge_sent_ranges, judge_signs
from swapbridge.proving.judges.recordings.bit_rate import judge_bit_rate
from swapbridge.proving.judges.recordings.evidence import judge_evidence
from swapbridge.proving.judges.recordings.holes import judge_holes
from swapbridge.proving.judges.recordings.origin import judge_origin
from swapbridge.proving.judges.runs.begin_and_end import falling_asleep, judge_begin_and_end
from swapbridge.proving.judges.runs.faults_met import judge_faults, judge_quiet_buses
from swapbridge.proving.judges.runs.network_management import judge_network_management
from swapbridge.proving.judges.runs.real_time import judge_extras
from swapbridge.proving.judges.runs.responses import judge_waiting
from swapbridge.proving.judges.runs.round_trip import judge_closed_loop
from swapbridge.proving.judges.runs.states import judge_states
from swapbridge.proving.judges.runs.timing import judge_timing
from swapbridge.proving.judges.runs.warnings import judge_warnings
from swapbridge.proving.verdict import Check

Judge = Callable[[Case], list[Check]]


def _judge_life_of_messages(case: Case) -> list[Check]:
    """First and last frames, and network management: one run in which every bus falls silent serves both."""
    falling = falling_asleep(case)
    return [*judge_begin_and_end(case, falling), *judge_network_management(case, falling)]


JUDGES: tuple[tuple[float, str, Judge], ...] = (
    (0.13, "the recordings", judge_evidence),
    (0.131, "bit rates", judge_bit_rate),
    (0.132, "holes", judge_holes),
    (0.135, "where the plan comes from", judge_origin),
    (0.137, "rules against the old sender", judge_rules),
    (0.14, "maps against the recordings", judge_plausible),
    (0.1405, "what every engine does", judge_engine_sense),
    (0.141, "what every gearbox does", judge_drivetrain),
    (0.1415, "torque and gears, asked for and made", judge_leads),
    (0.142, "roles", judge_roles),
    (0.143, "two engines", judge_engines),
    (0.144, "maps against the stimulus", judge_recorded),
    (0.1442, "the pedal's travel", judge_pedal_travel),
    (0.1444, "temperatures", judge_cold_soak),
    (0.1445, "signs and ranges", judge_signs),
    (0.1447, "where numbers end", judge_ends),
    (0.145, "safe answers", judge_safe_answers),
    (0.146, "rules that wait", judge_slow_rules),
    (0.148, "what is sent against the stimulus", judge_by_stimulus),
    (0.15, "present, as often, as long", judge_shape),
    (0.1505, "ranges of what is sent", judge_sent_ranges),
    (0.154, "life", judge_life),
    (0.1545, "curves", judge_same_curve),
    (0.155, "with the key off", judge_asleep),
    (0.16, "waking and falling asleep", _judge_life_of_messages),
    (0.17, "the absent computer's own words", judge_own_words),
    (0.22, "content", judge_content),
    (0.221, "states", judge_states),
    (0.25, "form", judge_form),
    (0.29, "a silent bus", judge_quiet_buses),
    (0.295, "warnings", judge_warnings),
    (0.30, "time", judge_timing),
    (0.31, "response times", judge_waiting),
    (0.91, "faults", judge_faults),
    (0.95, "closed loop", judge_closed_loop),
    (0.99, "real time", judge_extras),
    (0.995, "needs", judge_needs),
    (1.00, "what no recording shows", judge_beyond),
)
"""Share of the work done after each, what it is about, and the judge."""
