"""Command line: `swapbridge guess`: find signals and what they mean."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

import click

from swapbridge.capture.stimulus import StimulusTrack, read_stimulus
from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.screen.common import IdentifierType, console, print_line, progress_bar, table
from swapbridge.cli.screen.read_captures import read_all
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.findings_report import (
    claims_in_order,
    formula,
    integrity_in_order,
    message_name,
    public_in_order,
    story,
    sureness,
    totals,
    where,
)
from swapbridge.guessing.guess import guess
from swapbridge.guessing.overlay_pages import draw_html, draw_png, field_overlays
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.findings import Findings
from swapbridge.swapfolder.paths import CAPTURES

FILE = click.Path(dir_okay=False, path_type=Path)
OUT = click.Path(dir_okay=False, writable=True, path_type=Path)


@click.command()
@click.argument("captures", metavar="CAPTURE...", nargs=-1, required=True, type=FILE, callback=InFolder(CAPTURES))
@click.option(
    "--stimulus",
    "stimuli",
    metavar="CSV",
    type=FILE,
    multiple=True,
    callback=InFolder(CAPTURES),
    help="Record of what was done to the vehicle; one for every capture, in the same order.",
)
@click.option(
    "--stimulus-time",
    type=click.Choice(["absolute", "relative"]),
    help="Clock of the stimulus: the capture's, or seconds since its first frame. Default: whichever overlaps.",
)
@click.option(
    "--id",
    "ids",
    metavar="ID",
    type=IdentifierType(),
    multiple=True,
    help="Show only this identifier, with all its evidence.",
)
@click.option("--json", "json_file", metavar="FILE", type=OUT, help="Write all findings as JSON.")
@click.option("--dbc", "dbc_file", metavar="FILE", type=OUT, help="Write the findings as a signal map.")
@click.option(
    "--plot", "plot_file", metavar="FILE", type=OUT, help="Plot fields over the stimulus: FILE.html or FILE.png."
)
@click.option("--jobs", type=int, metavar="N", help="Number of processes (default: all cores for a large capture).")
@click.option("--scheduler", metavar="ADDRESS", help="Use a Dask cluster (extra `cluster`).")
@click.option("--all", "show_all", is_flag=True, help="Also list claims that are only hints.")
def command(
    captures: tuple[Path, ...],
    stimuli: tuple[Path, ...],
    stimulus_time: Literal["absolute", "relative"] | None,
    ids: tuple[tuple[int, bool], ...],
    json_file: Path | None,
    dbc_file: Path | None,
    plot_file: Path | None,
    jobs: int | None,
    scheduler: str | None,
    show_all: bool,
) -> None:
    """Find signals in captures and what they mean.

    --stimulus says what was done to the vehicle (rows of time_s,channel,value). A scan tool's answers in the capture
    are used automatically. Identifiers are hex, followed by x for 29 bits. Several captures of
    one vehicle are evaluated together: every claim must hold in all of them.

    \b
    Example: swapbridge guess host.log --stimulus host.csv --json findings.json --plot host.html
    """
    if stimuli and len(stimuli) != len(captures):
        raise InputError(
            f"{len(captures)} captures and {len(stimuli)} stimulus files: give one --stimulus for every capture, in "
            "order"
        )
    if plot_file is not None and plot_file.suffix.lower() not in (".html", ".png"):
        raise InputError(f"--plot writes .html or .png, not {plot_file.name}: give the file one of these extensions")
    read = list(read_all(dict(enumerate(captures))).values())
    for capture in read:
        for sentence in capture.notes.sentences():
            print_line(f"{capture.source}: {sentence}")
    tracks: list[StimulusTrack | None] = [None] * len(read)
    for k, (path, capture) in enumerate(zip(stimuli, read, strict=False)):
        tracks[k] = read_stimulus(path).on_clock_of(capture, stimulus_time)
    frames = sum(len(capture) for capture in read)
    with (
        open_executor(jobs=1 if ids and jobs is None else jobs, scheduler=scheduler, frames=frames) as executor,
        progress_bar("Guessing") as report,
    ):
        findings = guess(read, tracks, ids=ids or None, progress=report, executor=executor)
    # refuses an identifier that nobody sends, before anything is written
    lines = [line for identifier, extended in ids for line in story(findings, identifier, extended)]
    if json_file is not None:
        with written_whole(json_file) as path:
            path.write_text(json.dumps(findings.to_dict(), indent=1, allow_nan=False) + "\n", encoding="utf-8")
        print_line(f"wrote {json_file}")
    if dbc_file is not None:
        accepted = accept_findings(findings)
        save_map(accepted.signal_map, dbc_file)
        print_line(
            f"wrote {dbc_file}: {accepted.named} signals with meaning, {accepted.bare} as raw fields, "
            f"{accepted.left_out} left out (not sure enough)"
        )
    if plot_file is not None:
        pictures = field_overlays(findings, read, tracks, ids=ids)
        title = f"{', '.join(path.name for path in captures)}: fields over stimulus"
        page = draw_png(pictures, title) if plot_file.suffix.lower() == ".png" else draw_html(pictures, title).encode()
        with written_whole(plot_file) as path:
            path.write_bytes(page)
        print_line(f"wrote {plot_file}")
    if ids:
        for line in lines:
            click.echo(line)
        return
    _print(findings, show_all)


def _print(findings: Findings, show_all: bool) -> None:
    screen = console()
    click.echo(totals(findings))
    claims = [c for c in claims_in_order(findings) if show_all or c[1].confidence >= 0.2 or c[1].copy_of is None]
    if claims:
        rows = [
            (
                f.stimulus,
                message_name(m),
                where(f.layout) + (f" if {f.mux[0]}={f.mux[1]}" if f.mux else ""),
                formula(f),
                f.unit,
                f"{sureness(f.confidence)} {f.confidence:.1%}",
                "" if f.lag_s is None else f"{f.lag_s:.2f}",
            )
            for m, f in claims
        ]
        click.echo()
        screen.print(
            table(["follows", "message", "where", "value", "unit", "how sure", "lag s"], rows, right=["lag s"])
        )
    elif not any(m.group and m.group.name for m in findings.messages):
        hint = "see the advice below" if findings.advice else "give --stimulus, rows of time_s,channel,value"
        click.echo(f"\nNo field follows a channel: {hint}.")
    known = [
        (m.group.name, message_name(m), where(f.layout), formula(f), f.unit, str(f.evidence["public"]))
        for m, f in public_in_order(findings)
        if m.group is not None
    ]
    if known:
        click.echo()
        screen.print(table(["group", "message", "where", "value", "unit", "known without a stimulus"], known))
    integrity = integrity_in_order(findings)
    if integrity:
        click.echo()
        screen.print(
            table(
                ["message", "counter or checksum", "where", "how", "how sure"],
                [
                    (message_name(m), f.kind, where(f.layout), words, f"{sureness(f.confidence)} {f.confidence:.1%}")
                    for m, f, words in integrity
                ],
            )
        )
    if findings.advice:
        click.echo("\nAdvice")
        for sentence in findings.advice:
            screen.print(f"- {sentence}", markup=False)
    click.echo("\nOne message with all its evidence: --id ID. Everything as data: --json FILE.")
