"""Command line: `swapbridge survey`."""

from __future__ import annotations

import json
from pathlib import Path

import click

from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.screen.common import console, print_line, progress_bar, table
from swapbridge.cli.screen.read_captures import read_one
from swapbridge.core.files import written_whole
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.integrity_only import WORTH_PROCESSES, counters_of, integrity_field_words, integrity_fields
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.lost import frames_lost
from swapbridge.surveying.survey_report import (
    BUS_COLUMNS,
    GROUP_COLUMNS,
    IDENTIFIER_COLUMNS,
    LOST_COLUMNS,
    MOST_ROWS,
    SECTIONS,
    bus_rows,
    fault_lines,
    group_rows,
    identifier_rows,
    integrity_rows,
    load_strip,
    lost_lines,
    lost_rows,
    survey_headline,
)
from swapbridge.surveying.survey_result import Survey
from swapbridge.swapfolder.paths import CAPTURES


def bit_rates(context: click.Context, option: click.Parameter, given: tuple[str, ...]) -> int | dict[str, int]:
    """``--bit-rate 250000`` for all buses, ``--bit-rate NAME=125000`` for one."""
    named: dict[str, int] = {}
    for text in given:
        name, found, rate = text.rpartition("=")
        if not rate.isdecimal() or not int(rate):
            raise click.BadParameter(f"{text!r} is not a bit rate: write 500000, or can1=125000", context, option)
        if not found:
            if len(given) > 1:
                raise click.BadParameter("give one rate for all buses, or NAME=RATE for each", context, option)
            return int(rate)
        named[name] = int(rate)
    return named or 500_000


bit_rate_option = click.option(
    "--bit-rate",
    metavar="[NAME=]RATE",
    multiple=True,
    callback=bit_rates,
    help="Bit rate for the bus load, in bit/s: of all buses, or of the one named.  [default: 500000]",
)


@click.command()
@click.argument("capture", type=click.Path(dir_okay=False, path_type=Path), callback=InFolder(CAPTURES))
@bit_rate_option
@click.option("--seconds", is_flag=True, help="Also print the load of every second.")
@click.option(
    "--json",
    "json_path",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write everything as JSON.",
)
def command(capture: Path, bit_rate: int | dict[str, int], seconds: bool, json_path: Path | None) -> None:
    """Show who sends on a bus, how often and how regularly, which bits change, and the bus load.

    The load counts every frame's exact length on the wire, including stuff bits and the interframe space. "Kinds"
    are different payloads; "bits that move" is the mask of all bits that changed, byte 0 first. Missing frames
    are counted by rolling counters where there are any, otherwise by time. A stalled logger is distinguished from a
    sleeping bus. On an SAE J1939 bus the public groups, their parameters, and active fault codes (DM1) are
    listed.

    \b
    Example:
      swapbridge survey captures/host.log.gz --json survey.json
    """
    frames = read_one(capture)
    with progress_bar("Surveying") as report:
        found = survey(frames, bit_rate=bit_rate, progress=report)
    jobs = None if len(found.identifiers) >= WORTH_PROCESSES else 1
    with open_executor(jobs=jobs, frames=len(frames)) as executor, progress_bar("Studying") as report:
        fields = integrity_fields(frames, progress=report, executor=executor)
    found = found.with_integrity(integrity_field_words(fields)).with_lost(frames_lost(frames, counters_of(fields)))
    if json_path is not None:
        with written_whole(json_path) as temporary:
            temporary.write_text(json.dumps(found.to_dict(), indent=1) + "\n", encoding="utf-8")
    show_survey(found, seconds)


def show_survey(found: Survey, seconds: bool) -> None:
    """Tables of a survey."""
    screen = console()
    screen.print(survey_headline(found), markup=False, soft_wrap=True)
    for remark in found.remarks:
        print_line(f"Note: {remark}.")
    for line in lost_lines(found):
        print_line(f"Note: {line}.")
    for line in fault_lines(found):
        print_line(f"Note: {line}.")
    screen.print()
    screen.print(table(BUS_COLUMNS, bus_rows(found), right=("frames", "ids", "errors", "remote", "load")))
    for bus in found.buses:
        strip, each = load_strip(bus)
        screen.print(f"\nLoad of {bus.name} at {bus.bit_rate:,} bit/s, {each} s a column, full height 100 %:")
        screen.print(f"│{strip}│", markup=False)
        if seconds:
            rows = [
                (second, f"{load:.1%}")
                for second, load in zip(bus.load_second.tolist(), bus.load.tolist(), strict=True)
            ]
            screen.print(table(("second", "load"), rows, right=("second", "load")))
    columns = ("bus", *IDENTIFIER_COLUMNS) if len(found.buses) > 1 else IDENTIFIER_COLUMNS
    right = ("frames", "period ms", "p95", "worst", "bytes", "kinds")
    for ways, title in SECTIONS:
        rows_of_way = identifier_rows(found, ways)
        if rows_of_way:
            screen.print()
            shown = rows_of_way[:MOST_ROWS]
            screen.print(table(columns, shown, right=right, title=f"{title} ({len(rows_of_way):,})"))
            if len(shown) < len(rows_of_way):
                print_line(f"The first {len(shown)} are shown; --json has all.")
    missing = lost_rows(found)
    if missing:
        screen.print()
        title = f"Frames missing ({len(missing):,} identifiers)" if len(missing) > 1 else "Frames missing"
        numbers = ("frames", "missing", "share", "period ms")
        screen.print(table(LOST_COLUMNS, missing[:MOST_ROWS], right=numbers, title=title))
    integrity = integrity_rows(found)
    if integrity:
        screen.print()
        screen.print(table(("id", "counters and checksums"), integrity))
    groups = group_rows(found)
    if groups:
        screen.print()
        screen.print(table(GROUP_COLUMNS, groups[:MOST_ROWS], title=f"SAE J1939 groups ({len(groups):,})"))
