"""Proving room: a verdict as rows for one screen, and as JUnit XML."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from swapbridge.proving.report.verdict import AREAS, Verdict

FAILURES = 5
WARNINGS = 6
"""Most of each named on the screen; the report has all of them."""


def headline(verdict: Verdict) -> str:
    """One line: yes or no, and why."""
    counts = verdict.counts()
    said = f"{counts['fail']} failed, {counts['warn']} to look at, {counts['pass']} passed"
    return f"{'PASSED' if verdict.passed else 'FAILED'}  {verdict.plan_name}: {said}"


def area_rows(verdict: Verdict) -> list[list[str]]:
    """Area, counts, and a few words about each."""
    rows = []
    for area in AREAS:
        counts = verdict.counts(area)
        if any(counts.values()):
            word = "FAIL" if counts["fail"] else "look" if counts["warn"] else "pass"
            rows.append(
                [area, word, str(counts["fail"]), str(counts["warn"]), str(counts["pass"]), _words(verdict, area)]
            )
    return rows


def _words(verdict: Verdict, area: str) -> str:
    if area == "content":
        return "every sent signal against the exact reference"
    if area == "form":
        return "periods, gaps, counters, checksums like the old engine's"
    if area == "needs":
        states = [c.state for c in verdict.coverage]
        proved = sum(s in ("proved", "present") for s in states)
        wired = sum(s in ("wired", "licensed programming") for s in states)
        return f"{proved} covered, {wired} not over CAN, {states.count('missing')} missing"
    if area == "time":
        loads = ", ".join(f"{b.bus} {100 * b.load_after:.0f} %" for b in verdict.bus_times)
        return f"bus load {loads}" if loads else ""
    if area == "faults" and verdict.faults:
        seconds = sum(f.seconds for f in verdict.faults)
        return f"{len(verdict.faults)} runs, {seconds:,.0f} s of traffic, {verdict.thoroughness}"
    return ""


def failure_rows(verdict: Verdict) -> tuple[list[list[str]], int]:
    """Failures: what, measured and required, what to change; and how many more there are."""
    failed = [c for c in verdict.worst if c.status == "fail"]
    rows = [[f"{c.subject}: {c.name}", f"{c.measured}; needs {c.required}", c.remedy] for c in failed[:FAILURES]]
    return rows, max(0, len(failed) - FAILURES)


def warning_lines(verdict: Verdict, width: int) -> tuple[list[str], int]:
    """Warnings, one line each cut to a width; and how many more there are."""
    warned = [c for c in verdict.worst if c.status == "warn"]
    lines = [f"{c.subject}, {c.name}: {c.measured}" for c in warned[:WARNINGS]]
    return [x if len(x) <= width else f"{x[: width - 3]}..." for x in lines], max(0, len(warned) - WARNINGS)


def junit_xml(verdict: Verdict) -> str:
    """JUnit XML: a test suite an area, a test case a check; warnings pass and say so in their output."""
    suites = []
    for area in AREAS:
        checks = [c for c in verdict.checks if c.area == area]
        if not checks:
            continue
        cases = []
        for check in checks:
            name = f"name={quoteattr(check.name)} classname={quoteattr(f'{area}.{check.subject}')}"
            said = f"measured {check.measured}; required {check.required}; {check.remedy}"
            if check.status == "fail":
                inner = f"<failure message={quoteattr(check.measured)}>{escape(said)}</failure>"
            elif check.status == "warn":
                inner = f"<system-out>{escape(f'look: {said}')}</system-out>"
            else:
                inner = ""
            cases.append(f"    <testcase {name}>{inner}</testcase>")
        failures = sum(c.status == "fail" for c in checks)
        head = f'  <testsuite name={quoteattr(area)} tests="{len(checks)}" failures="{failures}" errors="0">'
        suites.append("\n".join([head, *cases, "  </testsuite>"]))
    counts = verdict.counts()
    total = sum(counts.values())
    head = f'<testsuites name={quoteattr(verdict.plan_name)} tests="{total}" failures="{counts["fail"]}" errors="0">'
    return "\n".join(['<?xml version="1.0" encoding="UTF-8"?>', head, *suites, "</testsuites>"]) + "\n"
