"""Command line: what `record` and `run` draw while they go on: narrow enough for a phone, nothing computed."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.markup import escape
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from swapbridge.bus.adapters.health import Health
from swapbridge.bus.recording.record import RecordStatus
from swapbridge.bus.recording.script import Phase, View
from swapbridge.bus.running.gate import FrameRuling
from swapbridge.bus.running.live_status import InputStatus, LiveStatus, LiveValues, OutputStatus
from swapbridge.core.identifier_words import format_identifier, split_word

BAR_CELLS = 30
MOST_ROWS = 24
FATES: dict[FrameRuling | None, str] = {
    None: "-",
    FrameRuling.SEND: "sent",
    FrameRuling.WITHHELD: "withheld",
    FrameRuling.CLOSED: "STOPPED",
    FrameRuling.UNPLANNED: "UNPLANNED",
    FrameRuling.TOO_FAST: "TOO FAST",
    FrameRuling.NOT_OURS: "NOT OURS",
}
"""What became of a frame, short enough for a narrow board."""


def clock(seconds: float) -> str:
    """``0:01:23``."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def record_screen(status: RecordStatus, note: str | None, *, flash: bool = False) -> RenderableType:
    """A recording as it goes on; made for 60 columns. `flash` lights up what to do, which has just changed."""
    lost = sum(bus.lost for bus in status.buses.values())
    head = Text(f"REC {clock(status.seconds)}  {status.files[-1].name}  ", style="bold")
    head.append(f"lost {lost:,}", style="bold red" if lost else "")
    parts: list[RenderableType] = [head]
    for name, health in status.health.items():
        parts.extend(_health(name, health))
    if status.scan_tool:
        parts.append(Text(status.scan_tool))
    if status.view is not None:
        parts += [Rule(style="dim"), *_view(status.view, flash)]
    for words in status.announced[-2:]:
        parts.append(Text(f"! {words}", style="yellow"))
    if status.confirmed:
        parts.append(Text(status.confirmed, style="green"))
    if note is not None:
        parts.append(Text(f"note: {note}_   (enter keeps it)", style="bold"))
    elif status.view is None:
        parts.append(Text("space mark  m note  q end", style="dim"))
    return Group(*parts)


def _health(name: str, health: Health) -> list[RenderableType]:
    out: list[RenderableType] = [Text(f"{name:<8} {health.line()}")]
    if health.warning:
        out.append(Text(f"  {health.warning}", style="yellow"))
    return out


def _view(view: View, flash: bool) -> list[RenderableType]:
    times = f"   time {view.time_number} of {view.times}" if view.times > 1 else ""
    out: list[RenderableType] = [Text(f"step {view.step_number} of {view.steps}{times}", style="dim")]
    if view.caution:
        out.append(Text(f"! {view.caution}", style="bold red"))
    style = {Phase.READY: "bold", Phase.DOING: "bold reverse", Phase.QUIET: "bold cyan", Phase.DONE: "bold green"}
    out += [Text(), Text(f"  {view.headline}  ", style="black on yellow" if flash else style[view.phase]), Text()]
    if view.phase in (Phase.DOING, Phase.QUIET):
        filled = min(BAR_CELLS, round(view.left_s))
        out.append(Text(f"  {view.left_s:4.0f} s  {'#' * filled}", style="bold"))
    elif view.phase is Phase.READY:
        out.append(Text("  Press enter when you are about to do it.", style="bold"))
    out += [Text(), Text(view.keys, style="dim")]
    return out


def run_screen(status: LiveStatus, values: LiveValues) -> RenderableType:
    """A running translator: what comes in and how old it is, what goes out, and what is wrong."""
    style = "bold green" if status.sending else "bold yellow"
    head = Text(f"RUN {clock(status.seconds)}  ", style="bold")
    head.append(status.mode.upper(), style=style)
    head.append(f"   state {status.state.replace('_', ' ')}")
    late = f", late {status.late_times} times" if status.late_times else ""
    head.append(f"   worst lag {status.worst_lag_ms:.1f} ms{late}", style="")
    parts: list[RenderableType] = [head]
    for bus in status.buses:
        state = "" if bus.up else "  GONE, trying again"
        odd = f"  failed {bus.failed:,}" if bus.failed else ""
        odd += f"  malformed {bus.malformed:,}" if bus.malformed else ""
        line = f"{bus.name:<8} {bus.health.line()}, sent {bus.sent:,}{odd}{state}"
        parts.append(Text(line, style="" if bus.up else "bold red"))
    if status.bad_frames or status.dropped_frames:
        bad = f"! {status.bad_frames:,} bad frames heard (length, counter or checksum)"
        dropped = f", {status.dropped_frames:,} dropped" if status.dropped_frames else ""
        parts.append(Text(bad + dropped, style="yellow"))
    if status.shut:
        parts.append(Text(f"! sending stopped: {status.shut}", style="bold red"))
    for name in status.lost:
        parts.append(Text(f"! {name} was claimed by another node: nothing is sent from it", style="bold red"))
    for name in status.foreign:
        parts.append(Text(f"! {name} is sent by another node", style="yellow"))
    for words in status.faults_heard:
        parts.append(Text(f"! {words}", style="yellow"))
    parts += [_inputs(status.inputs), _outputs(status.outputs, values)]
    for words in status.announced[-3:]:
        parts.append(Text(f"- {words}", style="dim"))
    return Group(*parts)


def _inputs(inputs: tuple[InputStatus, ...]) -> Table:
    out = Table(box=None, pad_edge=False, header_style="bold", title="heard", title_justify="left")
    out.add_column("id", min_width=5, no_wrap=True)
    out.add_column("message", overflow="ellipsis", no_wrap=True)
    out.add_column("age ms", justify="right", min_width=6, no_wrap=True)
    out.add_column("limit", justify="right", min_width=6, no_wrap=True)
    for one in inputs[:MOST_ROWS]:
        age = "never" if one.age_s is None else f"{1000 * one.age_s:,.0f}"
        row = (identifier(one.word), escape(one.name), age, f"{1000 * one.limit_s:,.0f}")
        out.add_row(*row, style="" if one.fresh else "red")
    return _cut(out, len(inputs))


def _outputs(outputs: tuple[OutputStatus, ...], values: LiveValues) -> Table:
    out = Table(box=None, pad_edge=False, header_style="bold", title="made", title_justify="left")
    out.add_column("id", min_width=5, no_wrap=True)
    out.add_column("message", min_width=12, overflow="ellipsis", no_wrap=True)
    out.add_column("", min_width=9, no_wrap=True)
    out.add_column("says", overflow="ellipsis", no_wrap=True)
    for one in outputs[:MOST_ROWS]:
        style = {FrameRuling.SEND: "green", FrameRuling.WITHHELD: "yellow", None: "dim"}.get(one.ruling, "bold red")
        words = escape(value_words(values, one.send, one.data))
        out.add_row(identifier(one.word), escape(one.name), FATES[one.ruling], words, style=style)
        if one.seen is not None:
            out.add_row("", "  seen there", "", escape(value_words(values, one.send, one.seen)))
    return _cut(out, len(outputs))


def _cut(table: Table, rows: int) -> Table:
    if rows > MOST_ROWS:
        table.caption = f"... and {rows - MOST_ROWS} more"
    return table


def value_words(values: LiveValues, send: int, data: bytes | None) -> str:
    """The first signals of a frame in words, or its bytes."""
    if data is None:
        return ""
    named = values.of(send, data)
    shown = "  ".join(f"{name} {value:g} {unit}".rstrip() for name, value, unit in named[:3])
    return shown or data.hex(" ")


def identifier(word: int) -> str:
    """An identifier word as people write it."""
    return format_identifier(*split_word(word))
