"""Inventory, timing, bus load and bit activity of a capture; comparison of two."""

from swapbridge.survey.compare import Change, Comparison, IdentifierChange, Missing, compare, compare_surveys
from swapbridge.survey.frame_bits import bus_time_ns, frame_bits, slow_and_fast_bits
from swapbridge.survey.inventory import survey
from swapbridge.survey.model import BusSurvey, IdentifierSurvey, Survey
from swapbridge.survey.needs import needs_toml

__all__ = [
    "BusSurvey",
    "Change",
    "Comparison",
    "IdentifierChange",
    "IdentifierSurvey",
    "Missing",
    "Survey",
    "bus_time_ns",
    "compare",
    "compare_surveys",
    "frame_bits",
    "needs_toml",
    "slow_and_fast_bits",
    "survey",
]
