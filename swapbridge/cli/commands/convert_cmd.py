"""Command line: `swapbridge convert`."""

from __future__ import annotations

from pathlib import Path

import click

from swapbridge.capture.convert import convert
from swapbridge.capture.read import read_blocks
from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.commands.map_notes import print_notes
from swapbridge.cli.screen.common import print_line, progress_bar
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.surveying.physical import write_physical
from swapbridge.swapfolder.paths import CAPTURES


@click.command()
@click.argument("capture", type=click.Path(dir_okay=False, path_type=Path), callback=InFolder(CAPTURES))
@click.argument("out", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--map",
    "map_path",
    metavar="DBC",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Write physical values through this signal map (OUT ends in .csv).",
)
@click.option("--bus", metavar="NAME", help="The bus that the map belongs to, if several buses carry its identifiers.")
def command(capture: Path, out: Path, map_path: Path | None, bus: str | None) -> None:
    """Convert CAPTURE to the format given by the extension of OUT.

    .log and .log.gz: text that every tool reads. .parquet: columns that load many times faster; accepted wherever a
    capture is. .asc, .blf, .csv: by python-can. .mf4: by asammdf (extra mf4). With --map, .csv holds physical
    values as rows of time_s,channel,value,unit, which can also be used as a stimulus file.

    \b
    Example:
      swapbridge convert captures/drive.asc drive.parquet
      swapbridge convert drive.parquet drive.csv --map signal_maps/donor.dbc
    """
    if map_path is None:
        with progress_bar("Converting") as report:
            done = convert(capture, out, progress=report)
        _print_sentences(done.sentences())
        print_line(f"{done.frames:,} frames written to {out}")
        return
    if out.suffix.lower() != ".csv":
        raise click.UsageError("--map writes physical values as .csv: give OUT the extension .csv")
    signal_map = load_map(map_path)
    print_notes(signal_map)
    with progress_bar("Decoding") as report:
        rows, notes = write_physical(read_blocks(capture, progress=report), signal_map, out, bus=bus)
    _print_sentences(notes.sentences())
    print_line(f"{rows:,} values written to {out}")


def _print_sentences(sentences: list[str]) -> None:
    for sentence in sentences:
        print_line(f"Note: {sentence}.")
