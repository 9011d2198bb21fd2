"""Surveying room: rows and sentences of a survey and a comparison, for tables 100 columns wide."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from swapbridge.core import j1939
from swapbridge.surveying.compare import Comparison, IdentifierChange, Missing
from swapbridge.surveying.survey_result import BusSurvey, IdentifierSurvey, Sending, Survey

SECTIONS: tuple[tuple[tuple[Sending, ...], str], ...] = (
    (("cyclic", "mixed"), "Sent in step"),
    (("event",), "Sent when something happens"),
    (("rare",), "Less than once a second"),
    (("wake-up",), "Only in the first seconds after the bus woke or the recording began"),
)
"""Ways of sending that stand in one table, and its title."""
IDENTIFIER_COLUMNS = ("id", "frames", "period ms", "p95", "worst", "bytes", "bits that move", "kinds", "seen s")
BUS_COLUMNS = ("bus", "frames", "ids", "errors", "remote", "load", "busiest second", "asleep")
MOST_ROWS = 300
"""Most rows of a table that can still be read."""
_STRIP = " ▁▂▃▄▅▆▇█"
_STRIP_COLUMNS = 72
_SHOWN_BYTES = 8


def survey_headline(found: Survey) -> str:
    """One sentence: what the capture is."""
    buses = "1 bus" if len(found.buses) == 1 else f"{len(found.buses)} buses"
    count = sum(bus.identifiers for bus in found.buses)
    identifiers = "1 identifier" if count == 1 else f"{count:,} identifiers"
    frames = "1 frame" if found.frames == 1 else f"{found.frames:,} frames"
    return f"{found.source}: {frames} of {identifiers} on {buses} in {found.duration_s:,.1f} s"


def bus_rows(found: Survey) -> list[tuple[str, ...]]:
    """Cells of `BUS_COLUMNS`, a row a bus."""
    rows: list[tuple[str, ...]] = []
    for bus in found.buses:
        busiest = "-"
        if len(bus.load):
            busiest = f"{bus.peak_load:.1%} at {int(bus.load_second[int(bus.load.argmax())])} s"
        asleep = _times(bus.asleep) if bus.asleep else "unclear" if bus.unclear else "never"
        rows.append(
            (
                bus.name,
                f"{bus.frames:,}",
                f"{bus.identifiers:,}",
                f"{bus.error_frames:,}",
                f"{bus.remote_frames:,}",
                f"{bus.mean_load:.1%}",
                busiest,
                asleep,
            )
        )
    return rows


def _times(spans: Sequence[tuple[float, float]], digits: int = 0) -> str:
    seconds = sum(end - begin for begin, end in spans)
    return ("once" if len(spans) == 1 else f"{len(spans)} times") + f" ({seconds:,.{digits}f} s)"


def lost_lines(found: Survey) -> list[str]:
    """Sentences on what the recording is missing, and on silences that the frames do not explain."""
    if found.lost is None:
        return []
    out = []
    for bus in found.buses:
        dropouts = [one for one in found.lost.silences if one.bus == bus.name and one.kind == "dropout"]
        if dropouts:
            due = sum(one.due for one in dropouts)
            spans = [(one.begin_s, one.end_s) for one in dropouts]
            longest = max(dropouts, key=lambda one: one.seconds)
            out.append(
                f"bus {bus.name}: the recording dropped out {_times(spans, 1)}, the longest at "
                f"{longest.begin_s:,.1f} s; the bus was not asleep: its senders went on, and about {due:,} frames are "
                "missing there"
            )
        if bus.unclear:
            out.append(
                f"bus {bus.name} was silent {_times(bus.unclear)}: the frames don't show whether it slept or the "
                "recording dropped out"
            )
        counted = found.lost.counted_by(bus.name)
        lost = sum(one.lost or 0 for one in counted)
        if lost:
            share = lost / (lost + sum(one.frames for one in counted))
            by = "counters" if counted[0].by_counter is not None else "the clock alone; a sender may have paused"
            of = "1 identifier" if len(counted) == 1 else f"{len(counted)} identifiers"
            out.append(f"bus {bus.name}: {_share(share)} of the frames are missing ({lost:,} of {of}, by {by})")
    return out


def _share(share: float) -> str:
    return f"{share:.0%}" if share >= 0.095 else f"{share:.1%}" if share >= 0.001 else "under 0.1 %"


LOST_COLUMNS = ("id", "frames", "missing", "share", "counted by", "period ms")


def lost_rows(found: Survey) -> list[tuple[str, ...]]:
    """Cells of `LOST_COLUMNS`: identifiers that miss most, largest share first."""
    if found.lost is None:
        return []
    several = len(found.buses) > 1
    lossy = [one for bus in found.buses for one in found.lost.counted_by(bus.name) if one.lost]
    return [
        (
            f"{one.bus} {one.name}" if several else one.name,
            f"{one.frames:,}",
            f"{one.lost:,}",
            _share((one.lost or 0) / ((one.lost or 0) + one.frames)),
            "clock" if one.by_counter is None else "counter",
            milliseconds(one.period_ms),
        )
        for one in sorted(lossy, key=lambda one: -(one.lost or 0) / one.frames)
    ]


GROUP_COLUMNS = ("id", "group", "what", "from", "holds")


def group_rows(found: Survey) -> list[tuple[str, ...]]:
    """Cells of `GROUP_COLUMNS`: the J1939 groups that this house knows by name."""
    several = len(found.buses) > 1
    rows: list[tuple[str, ...]] = []
    for one in sorted(found.groups, key=lambda g: (g.bus, g.identifier.number, g.identifier.source)):
        if not one.words:
            continue
        holds = ""
        if one.public is not None:
            holds = ", ".join(p.words for p in one.there) or "nothing: all not available"
        elif one.names:
            holds = "; ".join(f"NAME with {name.words}" for name in one.names)
        name = f"{one.bus} {one.name}" if several else one.name
        rows.append((name, str(one.identifier.number), one.words, address_words(one.identifier.source), holds))
    return rows


def address_words(address: int) -> str:
    """A J1939 address, with whose it usually is."""
    usual = j1939.ADDRESS_NAMES.get(address)
    return f"{address} ({usual})" if usual else str(address)


def fault_lines(found: Survey) -> list[str]:
    """Sentences on what modules said by DM1."""
    several = len(found.buses) > 1
    return [
        f"{f'bus {one.bus}: ' if several else ''}address {address_words(one.source)} says {one.words} "
        f"(DM1, {one.first_s:,.1f} to {one.last_s:,.1f} s)"
        for one in found.faults
    ]


def load_strip(bus: BusSurvey) -> tuple[str, int]:
    """The load over time as a strip of blocks, full height 100 %, and how many seconds one column stands for.

    A column shows its busiest second; blank means nothing was sent.
    """
    seconds = int(bus.load_second[-1]) + 1 if len(bus.load) else 0
    per_column = max(1, math.ceil(seconds / _STRIP_COLUMNS))
    columns = np.zeros(math.ceil(seconds / per_column))
    np.maximum.at(columns, bus.load_second // per_column, bus.load)
    heights = np.ceil(np.clip(columns, 0, 1) * 8).astype(int)
    return "".join(_STRIP[height] for height in heights), per_column


def identifier_rows(found: Survey, ways: Sequence[Sending]) -> list[tuple[str, ...]]:
    """Cells of `IDENTIFIER_COLUMNS`, with the bus in front where there are several."""
    rows: list[tuple[str, ...]] = []
    for one in found.identifiers:
        if one.sending in ways:
            cells = (
                one.name,
                f"{one.frames:,}",
                milliseconds(one.period_ms),
                milliseconds(one.late_ms),
                milliseconds(one.worst_gap_ms),
                "/".join(str(size) for size, _ in one.lengths),
                live_words(one),
                f"{one.distinct:,}",
                presence_words(one, found.duration_s),
            )
            rows.append((one.bus, *cells) if len(found.buses) > 1 else cells)
    return rows


def integrity_rows(found: Survey) -> list[tuple[str, str]]:
    """Identifiers with counters or checksums, and which."""
    several = len(found.buses) > 1
    return [
        (f"{one.bus} {one.name}" if several else one.name, "; ".join(one.hints))
        for one in found.identifiers
        if one.hints
    ]


def milliseconds(value: float) -> str:
    """Milliseconds with three digits that mean something."""
    if math.isnan(value):
        return "-"
    return f"{value:,.0f}" if value >= 1000 else f"{value:.1f}" if value >= 10 else f"{value:.2f}"


def live_words(one: IdentifierSurvey) -> str:
    """Mask of the bits that changed, a dot pair for a still byte; only their number beyond 8 bytes."""
    if not one.live_bits:
        return "none"
    if len(one.live) > _SHOWN_BYTES:
        return f"{one.live_bits} of {8 * len(one.live)}"
    return "".join(f"{byte:02X}" if byte else ".." for byte in one.live)


def presence_words(one: IdentifierSurvey, duration_s: float) -> str:
    """When it was seen, where that is not all the time."""
    gap_s = 0.0 if math.isnan(one.worst_gap_ms) else one.worst_gap_ms / 1000
    slack = max(1.0, 1.5 * gap_s)
    if one.frames == 1:
        return f"at {one.first_s:.1f}"
    if one.first_s <= slack and one.last_s >= duration_s - slack:
        return "all along"
    return f"{one.first_s:.1f}-{one.last_s:.1f}"


def missing_rows(missing: Sequence[Missing], several_buses: bool) -> list[tuple[str, ...]]:
    """Cells of `MISSING_COLUMNS`."""
    rows: list[tuple[str, ...]] = []
    for one in missing:
        seen = one.identifier
        period = f"every {milliseconds(seen.period_ms)} ms" if seen.sending in ("cyclic", "mixed") else seen.sending
        rows.append(
            (
                f"{seen.bus} {seen.name}" if several_buses else seen.name,
                period,
                str(seen.length),
                f"{seen.frames:,}",
                f"{one.due:,.0f}" if one.due >= 10 else f"{one.due:.1f}",
                "sure" if one.sure else "maybe chance",
                "; ".join(seen.hints),
            )
        )
    return rows


MISSING_COLUMNS = ("id", "sent", "bytes", "frames", "due in the other", "sure?", "counter, checksum")
CHANGE_COLUMNS = ("id", "change from A to B", "sure?")


def change_rows(changed: Sequence[IdentifierChange], several_buses: bool) -> list[tuple[str, ...]]:
    """Cells of `CHANGE_COLUMNS`, one row a change."""
    rows: list[tuple[str, ...]] = []
    for one in changed:
        name = f"{one.after.bus} {one.after.name}" if several_buses else one.after.name
        for i, change in enumerate(one.changes):
            rows.append((name if i == 0 else "", change.words, "sure" if change.sure else "maybe chance"))
    return rows


def comparison_line(found: Comparison) -> str:
    """One sentence: how much changed."""
    return (
        f"{len(found.vanished)} vanished, {len(found.appeared)} appeared, {len(found.changed)} changed, "
        f"{found.same} as before"
    )
