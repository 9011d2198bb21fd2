"""Proving room: a verdict as lines for one screen, and as JUnit XML. Every finding is shown in full."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape, quoteattr

from swapbridge.core.needs import LICENSED
from swapbridge.plan.proof import Outcome, Status
from swapbridge.proving.verdict import AREAS, Check, Verdict

STATUS_WORDS: dict[Status, str] = {
    "fail": "failed",
    "unproved": "not proved",
    "warn": "to look at",
    "open": "left open",
    "habit": "habits",
    "pass": "passed",
}
"""How many of a status there are, in words."""
MARKS: dict[Status, str] = {
    "fail": "FAILED", "unproved": "NOT PROVED", "warn": "look", "open": "open", "habit": "habit", "pass": "pass",
}  # fmt: skip
"""How a status is written; never by colour alone."""
TITLES: dict[Status, str] = {
    "fail": "What failed",
    "unproved": "What these recordings can't show, and without which nothing is proved",
    "warn": "What to look at",
    "habit": "Another engine's habits: not wrong, but make sure that the modules cope with them",
    "open": "What this did not prove",
}
"""Sections of a verdict, in the order in which they are shown."""
NEXT: dict[Outcome, str] = {
    "PASSED": "Next: read what was not proved; then a first start by the guide, wheels off the ground, cut-off near.",
    "FAILED": "Next: change what failed, compile, and prove again. Do not connect this plan to a vehicle.",
    "NOT PROVED": "Next: supply what is missing, then prove again. Do not connect this plan to a vehicle.",
}
_INDENT = 12


def count_words(counts: Mapping[Status, int]) -> str:
    """How many of each status there are, in words.

    Examples
    --------
    >>> count_words({"fail": 0, "habit": 1, "pass": 3})
    '0 failed, 1 habit, 3 passed'
    """
    return ", ".join(f"{n} {'habit' if (s, n) == ('habit', 1) else STATUS_WORDS[s]}" for s, n in counts.items())


def outcome_words(verdict: Verdict) -> str:
    """What there is of each status, with what failed and passed in any case."""
    counts = verdict.counts()
    return count_words({s: counts[s] for s in STATUS_WORDS if counts[s] or s in ("fail", "pass")})


def headline(verdict: Verdict) -> str:
    """One line: PASSED, FAILED or NOT PROVED, and why."""
    return f"{verdict.outcome}  {verdict.plan_name}: {outcome_words(verdict)}"


def area_rows(verdict: Verdict) -> list[list[str]]:
    """Area, worst status, how many of each, and a few words."""
    rows = []
    for area in AREAS:
        counts = verdict.counts(area)
        if any(counts.values()):
            worst = worst_of(verdict, area)
            counted = count_words({s: n for s, n in counts.items() if n and (s != "pass" or worst == "pass")})
            rows.append([area, MARKS[worst], counted, _words(verdict, area)])
    return rows


def worst_of(verdict: Verdict, area: str) -> Status:
    """The worst status of an area that is its own: what is open or a habit only where nothing passed."""
    counts = verdict.counts(area)
    order: tuple[Status, ...] = ("fail", "unproved", "warn", "pass", "open", "habit")
    return next(s for s in order if counts[s])


def _words(verdict: Verdict, area: str) -> str:
    if area == "evidence":
        return "can these recordings support a verdict"
    if area == "maps":
        return "what the maps say against what was recorded"
    if area == "own words":
        return "recordings translated again by the plan"
    if area == "life":
        return "what moved before moves now"
    if area == "engines":
        return "both engines and the gearbox"
    if area == "content":
        return "every sent signal against the exact reference"
    if area == "form":
        return "periods, gaps, counters, checksums"
    if area == "needs":
        states = [c.state for c in verdict.coverage]
        proved = sum(s in ("proved", "constant", "as recorded", "present") for s in states)
        wired = sum(s in ("wired", LICENSED) for s in states)
        return f"{proved} covered, {wired} not over CAN, {states.count('missing')} missing"
    if area == "time":
        loads = ", ".join(f"{b.bus} {100 * b.load_after:.0f} %" for b in verdict.bus_times)
        return f"bus load {loads}" if loads else ""
    if area == "faults" and verdict.faults:
        seconds = sum(f.seconds for f in verdict.faults)
        return f"{len(verdict.faults)} runs, {seconds:,.0f} s of traffic, {verdict.thoroughness}"
    return ""


def alike(checks: Sequence[Check]) -> list[list[Check]]:
    """Checks with one remedy, together; without a remedy those that ask the same of several subjects."""
    groups: dict[tuple[str, ...], list[Check]] = {}
    for check in checks:
        advice = check.remedy or check.name
        groups.setdefault((check.status, check.area, check.required, advice), []).append(check)
    return list(groups.values())


def by_measured(group: Sequence[Check]) -> dict[tuple[str, str], list[str]]:
    """Subjects of checks, each once, by what was looked at and what was measured."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in group:
        subjects = found.setdefault((one.name, one.measured), [])
        if one.subject not in subjects:
            subjects.append(one.subject)
    return found


def finding_lines(verdict: Verdict, width: int) -> list[str]:
    """All that is not a pass, section by section, no line longer than `width`, nothing left out."""
    out: list[str] = []
    for status, title in TITLES.items():
        checks = verdict.with_status(status)
        beyond = verdict.beyond if status == "open" else ()
        if not checks and not beyond:
            continue
        out += ["", f"{title}:" if status != "warn" else f"{title} ({len(checks)}):"]
        for group in alike(checks):
            check = group[0]
            for number, ((name, measured), subjects) in enumerate(by_measured(group).items()):
                mark = MARKS[status] if number == 0 else ""
                out += _entry(mark, f"{', '.join(subjects)}, {name}: {measured}", width)
            if check.required:
                out += _entry("", f"needs {check.required}", width)
            if check.remedy:
                out += _entry("", f"change: {check.remedy}", width)
        for never in beyond:
            out += _entry("never held", f"{never.what}: {never.answers}", width)
    return out


def _entry(mark: str, words: str, width: int) -> list[str]:
    blank = " " * _INDENT
    return textwrap.wrap(
        " ".join(words.split()), width, initial_indent=mark.ljust(_INDENT), subsequent_indent=blank,
        break_long_words=True, break_on_hyphens=False,
    )  # fmt: skip


def junit_xml(verdict: Verdict) -> str:
    """JUnit XML: a test suite an area, a test case a check.

    What failed is a failure, what the recordings can't show an error, what is left open skipped; looks and habits pass
    and say so in their output.
    """
    suites = []
    for area in AREAS:
        checks = [c for c in verdict.checks if c.area == area]
        if checks:
            counts = verdict.counts(area)
            head = (
                f'  <testsuite name={quoteattr(area)} tests="{len(checks)}" failures="{counts["fail"]}" '
                f'errors="{counts["unproved"]}" skipped="{counts["open"]}">'
            )
            suites.append("\n".join([head, *(_case(area, check) for check in checks), "  </testsuite>"]))
    counts = verdict.counts()
    head = (
        f'<testsuites name={quoteattr(verdict.plan_name)} tests="{sum(counts.values())}" '
        f'failures="{counts["fail"]}" errors="{counts["unproved"]}">'
    )
    return "\n".join(['<?xml version="1.0" encoding="UTF-8"?>', head, *suites, "</testsuites>"]) + "\n"


def _case(area: str, check: Check) -> str:
    name = f"name={quoteattr(check.name)} classname={quoteattr(f'{area}.{check.subject}')}"
    details = f"measured {check.measured}; required {check.required}; {check.remedy}"
    inner = ""
    if check.status in ("fail", "unproved"):
        tag = "failure" if check.status == "fail" else "error"
        inner = f"<{tag} message={quoteattr(check.measured)}>{escape(details)}</{tag}>"
    elif check.status == "open":
        inner = f"<skipped message={quoteattr(details)}/>"
    elif check.status != "pass":
        inner = f"<system-out>{escape(f'{MARKS[check.status]}: {details}')}</system-out>"
    return f"    <testcase {name}>{inner}</testcase>"
