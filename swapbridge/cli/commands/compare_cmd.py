"""Command line: `swapbridge compare`."""

from __future__ import annotations

import json
from pathlib import Path

import click

from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.commands.survey_cmd import bit_rate_option
from swapbridge.cli.screen.common import console, print_line, progress_bar, table
from swapbridge.cli.screen.read_captures import read_all
from swapbridge.core.files import written_whole
from swapbridge.guessing.integrity_only import integrity_words
from swapbridge.surveying.compare import compare
from swapbridge.surveying.survey_report import (
    CHANGE_COLUMNS,
    MISSING_COLUMNS,
    change_rows,
    comparison_line,
    missing_rows,
)
from swapbridge.surveying.vanished_needs import needs_toml
from swapbridge.swapfolder.paths import CAPTURES

FILE = click.Path(dir_okay=False, path_type=Path)
OUT = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("a", type=FILE, callback=InFolder(CAPTURES))
@click.argument("b", type=FILE, callback=InFolder(CAPTURES))
@bit_rate_option
@click.option("--needs", metavar="FILE", type=OUT, help="Write the vanished messages as a needs list (TOML).")
@click.option("--needs-bus", metavar="NAME", help="Name of this bus in the bridge file, for the needs list.")
@click.option("--json", "json_path", metavar="FILE", type=OUT, help="Write everything as JSON.")
def command(
    a: Path,
    b: Path,
    bit_rate: int | dict[str, int],
    needs: Path | None,
    needs_bus: str | None,
    json_path: Path | None,
) -> None:
    """Show what changed from capture A to capture B: identifiers, periods, lengths and bits.

    Compare key on with engine running, compressor off with on, or engine computer connected with unplugged. Messages
    that vanished when a module was unplugged must come from the translator: --needs lists them. Record both for the
    same time and both from wake-up; whatever a short capture could have missed by chance is marked.

    \b
    Example:
      swapbridge compare host.log.gz host-unplugged.log.gz --needs needs.toml --needs-bus host
    """
    first, second = read_all({0: a, 1: b}).values()
    with progress_bar("Comparing") as report:
        found = compare(first, second, bit_rate=bit_rate, progress=report)
    with progress_bar("Studying") as report:
        found = found.with_integrity(
            integrity_words(first, only={one.identifier.key for one in found.vanished}, progress=report),
            integrity_words(second, only={one.identifier.key for one in found.appeared}, progress=report),
        )
    if json_path is not None:
        with written_whole(json_path) as temporary:
            temporary.write_text(json.dumps(found.to_dict(), indent=1) + "\n", encoding="utf-8")
    screen = console()
    for remark in found.remarks:
        print_line(f"Note: {remark}.")
    screen.print(f"A: {a}, {len(first):,} frames in {first.duration_s:,.1f} s", markup=False)
    screen.print(f"B: {b}, {len(second):,} frames in {second.duration_s:,.1f} s", markup=False)
    screen.print(comparison_line(found))
    several = len(found.a.buses) > 1 or len(found.b.buses) > 1
    right = ("bytes", "frames", "due in the other")
    for missing, title in ((found.vanished, "Vanished: in A, not in B"), (found.appeared, "Appeared: in B, not in A")):
        if missing:
            screen.print()
            screen.print(table(MISSING_COLUMNS, missing_rows(missing, several), right=right, title=title))
    if found.changed:
        screen.print()
        screen.print(table(CHANGE_COLUMNS, change_rows(found.changed, several), title="Changed"))
    if needs is not None:
        with written_whole(needs) as temporary:
            temporary.write_text(needs_toml(found, needs_bus), encoding="utf-8")
        print_line(f"{len(found.vanished)} needs written to {needs}: fill in which module waits for each")
