"""Proving room: a verdict as one self-contained HTML file: no network, no script, prints well, light and dark."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

from swapbridge.plan.proof import Outcome, Status
from swapbridge.proving.report.overlay_svg import overlay_picture
from swapbridge.proving.report.verdict_text import MARKS, NEXT, TITLES, alike, by_measured, outcome_words, worst_of
from swapbridge.proving.verdict import AREAS, Check, ProofOverlay, SignalTime, Verdict

AREA_TITLES = {
    "evidence": "Evidence: can these recordings support a verdict?",
    "maps": "Maps against the recordings",
    "own words": "The absent computer's own words, translated again by the plan",
    "life": "Life: what moved before, and what moves now",
    "engines": "Two engines and a gearbox",
    "content": "Content: every sent signal against the exact reference",
    "form": "Form: the translator's frames against the old sender's",
    "needs": "Needs",
    "time": "Time",
    "faults": "Faults",
    "round trip": "Round trip: both vehicles in a closed loop",
    "real time": "Real time on a virtual bus",
}
TONES: dict[Outcome, Status] = {"PASSED": "pass", "FAILED": "fail", "NOT PROVED": "unproved"}
PASSES_SHOWN = 400
_BREAKS = re.compile(r"(?<=[a-z_])[._](?=\w)|(?<=\w)\((?=\w)", re.IGNORECASE)


def style() -> str:
    """The style that reports are written with; it goes inside the file."""
    return files("swapbridge.proving.report").joinpath("report.css").read_text(encoding="utf-8")


def html_report(verdict: Verdict) -> str:
    """The report's text."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Proof of {escape(verdict.plan_name)}: {verdict.outcome}</title>",
        f"<style>{style()}</style></head><body><main>",
        _head(verdict),
        _cautions(verdict, short=True),
        _areas(verdict, ("evidence",)),
        *(_section(verdict, status) for status in TITLES),
        _curves(verdict),
        _engines(verdict),
        _coverage(verdict),
        _time(verdict),
        _faults(verdict),
        _overlays(verdict),
        _areas(verdict, tuple(a for a in AREAS if a != "evidence")),
        _cautions(verdict, short=False),
        _origin(verdict),
        "</main></body></html>",
    ]
    return "\n".join(p for p in parts if p) + "\n"


def _head(verdict: Verdict) -> str:
    counted = outcome_words(verdict)
    chips = "".join(
        f'<li><a href="#{_anchor(area)}">{escape(area)}</a> {_area_chips(verdict, area)}</li>'
        for area in AREAS
        if any(verdict.counts(area).values())
    )
    return (
        f'<header class="{TONES[verdict.outcome]}"><p class="plan">Proof of plan <b>{escape(verdict.plan_name)}</b></p>'
        f"<h1>{verdict.outcome}</h1><p>{counted}; {escape(verdict.thoroughness)} fault campaign.</p>"
        f"<p>{escape(NEXT[verdict.outcome])}</p><ul class=chips>{chips}</ul></header>"
    )


def _area_chips(verdict: Verdict, area: str) -> str:
    """The worst of an area, and how much it leaves open: a pass beside it must not hide that."""
    worst, left_open = worst_of(verdict, area), verdict.counts(area)["open"]
    beside = f' <span class="chip open">{left_open} open</span>' if left_open and worst != "open" else ""
    return _chip(worst) + beside


def _chip(status: Status) -> str:
    return f'<span class="chip {status}">{MARKS[status]}</span>'


def _anchor(area: str) -> str:
    return area.replace(" ", "-")


def _section(verdict: Verdict, status: Status) -> str:
    """All checks of a status; with what is left open, what no recording shows."""
    checks = verdict.with_status(status)
    beyond = verdict.beyond if status == "open" else ()
    if not checks and not beyond:
        return ""
    never_recorded = ""
    if beyond:
        rows = [[escape(b.what), _words(b.answers)] for b in beyond]
        never_recorded = (
            "<p>No recording of sound vehicles holds these. What is sent then depends on the safe answers and on what "
            "the donor's own computer says:</p>" + _table(["never recorded", "what is sent"], rows, stacks=True)
        )
    return f"<section><h2>{escape(TITLES[status])}</h2>{_checks(checks) if checks else ''}{never_recorded}</section>"


def _curves(verdict: Verdict) -> str:
    if not verdict.curves:
        return ""
    pictures = "".join(
        overlay_picture(
            ProofOverlay(f"{c.title}: {c.cause}", "recorded", c.unit, c.recorded, "sent", c.unit, c.sent), 1000 + number
        )
        for number, c in enumerate(verdict.curves)
    )
    return f"<section><h2>Where what is sent differs from what was recorded</h2>{pictures}</section>"


def _engines(verdict: Verdict) -> str:
    if not verdict.engines:
        return ""
    rows = [[escape(e.what), escape(e.host), escape(e.donor), escape(e.gearbox)] for e in verdict.engines]
    return (
        "<section><h2>Side by side</h2>"
        + _table(["", "old engine", "donor's engine", "gearbox"], rows, stacks=True)
        + "</section>"
    )


def _checks(checks: Sequence[Check]) -> str:
    """A row for each check; those with one remedy share it."""
    rows = [
        [_chip(group[0].status), _asked(group), _measured(group), escape(group[0].required), escape(group[0].remedy)]
        for group in alike(checks)
    ]
    return _table(["", "what", "measured", "required", "what to change"], rows, stacks=True)


def _asked(group: Sequence[Check]) -> str:
    """Subjects, and what was looked at in them; the subjects stand with what was measured where that differs."""
    subjects: dict[str, dict[str, None]] = {}
    for one in group:
        subjects.setdefault(one.name, {})[one.subject] = None
    if _differs(group):
        return "<br>".join(escape(name) for name in subjects)
    return "<br>".join(f"{_named(some)}<br>{escape(name)}" for name, some in subjects.items())


def _differs(group: Sequence[Check]) -> bool:
    return len({one.measured for one in group}) > 1


def _named(subjects: Iterable[str]) -> str:
    return ", ".join(f"<b>{_words(s)}</b>" for s in subjects)


def _measured(group: Sequence[Check]) -> str:
    """What was measured; where that differs, of which."""
    if not _differs(group):
        return _words(group[0].measured)
    several = len({one.name for one in group}) > 1
    return "<br>".join(
        f"{_named(subjects)}{f', {escape(name)}' if several else ''}: {_words(measured)}"
        for (name, measured), subjects in by_measured(group).items()
    )


def _words(text: str) -> str:
    """Text in which long names may break at their dots and underscores, and not anywhere."""
    return _BREAKS.sub(r"\g<0><wbr>", escape(text))


def _table(
    columns: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = (), *, stacks: bool = False
) -> str:
    """A table of cells that are HTML already; one that stacks shows its cells below each other on a narrow screen."""
    if stacks:
        labels = [f' data-label="{escape(c)}"' if c else "" for c in columns]
        cells = ("".join(f"<td{label}>{cell}</td>" for label, cell in zip(labels, row, strict=True)) for row in rows)
        head = "".join(f"<th>{escape(c)}</th>" for c in columns)
        body = "".join(f"<tr>{row}</tr>" for row in cells)
        return f"<table class=stacks><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    head = "".join(f"<th{' class=n' if i in numbers else ''}>{escape(c)}</th>" for i, c in enumerate(columns))
    body = "".join(
        "<tr>" + "".join(f"<td{' class=n' if i in numbers else ''}>{cell}</td>" for i, cell in enumerate(row)) + "</tr>"
        for row in rows
    )
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _coverage(verdict: Verdict) -> str:
    if not verdict.coverage:
        return ""
    tones = {
        "proved": "pass",
        "constant": "pass",
        "as recorded": "pass",
        "clipped": "fail",
        "present": "pass",
        "missing": "fail",
        "not proved": "fail",
        "open": "open",
    }
    rows = [
        [
            f'<span class="chip {tones.get(c.state, "warn")}">{escape(c.state)}</span>',
            f"<b>{_words(c.need)}</b>",
            escape(c.module) + (f" on {escape(c.bus)}" if c.bus else ""),
            _words(c.made_from),
            escape(c.quality),
            escape(c.note),
        ]
        for c in verdict.coverage
    ]
    return (
        '<section id="needs"><h2>Coverage board: what each module waits for</h2>'
        + _table(["", "waited for", "by", "made from", "how exact", "note"], rows, stacks=True)
        + "</section>"
    )


def _time(verdict: Verdict) -> str:
    if not (verdict.bus_times or verdict.signal_times or verdict.responses):
        return ""
    out = ['<section id="time"><h2>Time</h2>']
    if verdict.bus_times:
        rows = [
            [
                escape(b.bus),
                f"{b.bit_rate // 1000:,} kbit/s",
                f"{100 * b.load_before:.1f} %",
                f"{100 * b.load_after:.1f} %",
                f"{100 * b.worst_second_after:.1f} %",
            ]
            for b in verdict.bus_times
        ]
        out.append("<h3>Bus load</h3>" + _table(["bus", "rate", "before", "after", "worst second"], rows, (1, 2, 3, 4)))
    if verdict.signal_times:
        rows = _alike(verdict.signal_times)
        out.append(
            "<h3>Age of each signal, from its source's frame to its own, ms</h3>"
            + _table(["signal", "median", "99 of 100 under", "worst", "budget"], rows, (1, 2, 3, 4))
        )
    if verdict.responses:
        rows = [
            [
                escape(r.bus),
                escape(r.identifier),
                f"<b>{_words(r.name)}</b>" if r.planned else _words(r.name),
                "no bound" if r.bound_ms is None else f"{r.bound_ms:.2f}",
                f"{r.seen_ms:.2f}" if r.seen_ms else "",
                f"{round(r.deadline_ms, 1):g}",
            ]
            for r in verdict.responses
        ]
        out.append(
            "<h3>Response time of each identifier, ms: worst case by analysis, and seen</h3>"
            "<p>What the translator sends is in bold. Seen is blank where nothing that the translator sends ever made "
            "it wait.</p>" + _table(["bus", "id", "message", "worst case", "seen", "deadline"], rows, (3, 4, 5))
        )
    return "".join(out) + "</section>"


def _alike(times: Sequence[SignalTime]) -> list[list[str]]:
    """Signals of one message that age alike share a row."""
    rows: dict[tuple[str, ...], list[str]] = {}
    for t in times:
        message, _, name = t.subject.rpartition(".")
        numbers = (f"{t.median_ms:.2f}", f"{t.p99_ms:.2f}", f"{t.worst_ms:.2f}")
        budget = "" if t.budget_ms is None else f"{t.budget_ms:g}"
        rows.setdefault((message, *numbers, budget), []).append(name)
    return [[f"<b>{_words(k[0])}</b> {_words(', '.join(names))}", *k[1:]] for k, names in rows.items()]


def _faults(verdict: Verdict) -> str:
    if not verdict.faults:
        return ""
    singles = [f for f in verdict.faults if len(f.faults) == 1]
    pairs = [f for f in verdict.faults if len(f.faults) > 1]
    out = [
        f'<section id="faults"><h2>Faults</h2><p>{len(singles)} runs with one fault, {len(pairs)} with two at once, '
        f"{sum(f.seconds for f in verdict.faults):,.0f} s of traffic.</p>"
    ]
    failed = [f for f in verdict.faults if f.status != "pass"]
    shown = failed + [f for f in singles if f.status == "pass"]
    rows = [
        [
            _chip(f.status),
            escape(" + ".join(f.faults)),
            f"{f.frames_sent:,}",
            "" if f.reaction_ms is None else f"{f.reaction_ms:,.0f}",
            "" if f.recovery_ms is None else f"{f.recovery_ms:,.0f}",
            *([_words("; ".join(f.problems[:3]))] if failed else []),
        ]
        for f in shown
    ]
    columns = ["", "fault", "frames sent", "to safe answers, ms", "to recover, ms", *(["problems"] if failed else [])]
    out.append(
        "<p>To safe answers: until the last signal without a source gives its safe answer, limits and holds "
        "included. To recover: from the fault's end until everything is sent from live values again. "
        "Blank: not applicable.</p>"
    )
    out.append(_table(columns, rows, (2, 3, 4)))
    quiet = sum(f.status == "pass" for f in pairs)
    if quiet:
        out.append(f"<p>{quiet} pairs passed and are not listed.</p>")
    return "".join(out) + "</section>"


def _overlays(verdict: Verdict) -> str:
    if not verdict.overlays:
        return ""
    pictures = "".join(overlay_picture(o, number) for number, o in enumerate(verdict.overlays))
    return (
        "<section><h2>Source and translated signal</h2><p>Choose a zoom and scroll sideways. Curves of one unit "
        f"share a scale. 'Not available' values are left out.</p>{pictures}</section>"
    )


def _areas(verdict: Verdict, areas: Sequence[str]) -> str:
    out = []
    for area in areas:
        checks = verdict.of(area)
        if not checks:
            continue
        passes = [c for c in checks if c.status == "pass"]
        rest = [c for c in checks if c.status != "pass"]
        anchor = "" if area in ("needs", "time", "faults") else f' id="{_anchor(area)}"'
        out.append(f"<section{anchor}><h2>{escape(AREA_TITLES[area])}</h2>")
        if rest:
            out.append(_checks(rest))
        if passes:
            shown = passes[:PASSES_SHOWN]
            more = f" (the first {PASSES_SHOWN})" if len(shown) < len(passes) else ""
            is_open = " open" if not rest and area != "evidence" else ""
            out.append(f"<details{is_open}><summary>{len(passes)} passed{more}</summary>{_checks(shown)}</details>")
        out.append("</section>")
    return "".join(out)


def _cautions(verdict: Verdict, *, short: bool) -> str:
    if not verdict.cautions:
        return ""
    if short:
        return (
            '<p class="caution">A proof on the bench is advice: the vehicle\'s own manuals, local codes and licensed '
            'practice come first. <a href="#cautions">All cautions</a></p>'
        )
    items = "".join(f"<li>{escape(c)}</li>" for c in verdict.cautions)
    return f'<section id="cautions" class="caution"><h2>Cautions</h2><ul>{items}</ul></section>'


def _origin(verdict: Verdict) -> str:
    rows = [[escape(name), f"<code>{escape(digest)}</code>"] for name, digest in verdict.inputs]
    return (
        "<section><h2>Where this comes from</h2><p>The same inputs and seed give this verdict again: seed "
        f"<b>{verdict.seed}</b>, {escape(verdict.thoroughness)}, Swapbridge {escape(verdict.version)}, plan "
        f"<code>{escape(verdict.plan_sha256)}</code>.</p>{_table(['input', 'SHA-256'], rows)}</section>"
    )
