"""Command line: `swapbridge draft`: from the recordings of a swap folder to maps, a needs list and a bridge file."""

from __future__ import annotations

import json
import textwrap
from importlib.resources import files

import click

from swapbridge.capture.naming import WANTED, recordings_by_kind
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.cli.commands.folder import need_swap_folder
from swapbridge.cli.screen.common import WIDTH, progress_bar, say
from swapbridge.cli.screen.reading import read_all
from swapbridge.core.files import written_whole
from swapbridge.drafting.draft import draft
from swapbridge.drafting.merge import merged_bridge, merged_map
from swapbridge.drafting.outlook import outlook
from swapbridge.drafting.recordings import open_swap
from swapbridge.drafting.write import bridge_text, claims, draft_map, needs_text
from swapbridge.guessing.executors import open_executor
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import encode_map
from swapbridge.swapfolder.paths import BRIDGE, FINDINGS


@click.command()
@click.option("--jobs", type=int, metavar="N", help="Processes; by default all cores for large recordings.")
def command(jobs: int | None) -> None:
    """Draft maps, needs and bridge file from the recordings of a swap folder.

    It wants four recordings in captures/: host_old_engine and donor_own_vehicle with their stimulus files,
    host_unplugged, and donor_alone. Every field of every message that somebody will miss is explained by what the
    swapped vehicle will have, or said to be open. A line of the bridge file is draft's while it carries draft's
    comment. The outlook comes first: what can be made whole, and what can't be made at all.

    \b
    Example: swapbridge draft
    """
    folder = need_swap_folder("recording")
    found = {k: r for k, r in recordings_by_kind(folder.captures).items() if k in WANTED}
    captures = read_all({k: r.path for k, r in found.items()})
    for kind, capture in captures.items():
        for sentence in capture.notes.sentences():
            say(f"{found[kind].path.name}: {sentence}")
    tracks = {k: read_stimulus(r.stimulus).on_clock_of(captures[k]) for k, r in found.items() if r.stimulus is not None}
    frames = max((len(c) for c in captures.values()), default=0)
    there = {bus: load_map(path) for bus in ("host", "donor") if (path := folder.maps / f"{bus}.dbc").is_file()}
    with open_executor(jobs=jobs, frames=frames) as executor, progress_bar("Drafting") as report:
        swap, findings = open_swap(
            captures, tracks, progress=lambda share, words: report(0.4 * share, words), executor=executor
        )
        drafted = draft(
            swap, maps=there, progress=lambda share, words: report(0.4 + 0.6 * share, words), executor=executor
        )
    old = folder.bridge.read_text(encoding="utf-8")
    pristine = files("swapbridge.cli").joinpath("folder_files").joinpath(BRIDGE).read_text(encoding="utf-8")
    bridge, changes = merged_bridge(old, bridge_text(swap, drafted, folder.path.name), pristine)
    texts = {
        folder.bridge: bridge,
        folder.needs: needs_text(swap, drafted),
        folder.path / "draft.json": json.dumps(claims(drafted), indent=1) + "\n",
    }
    for kind, one in findings.items():
        name = found[kind].path.name.partition(".")[0]
        texts[folder.path / FINDINGS / f"{name}.json"] = json.dumps(one.to_dict(), indent=1, allow_nan=False) + "\n"
    maps = {}
    for bus in ("host", "donor"):
        maps[folder.maps / f"{bus}.dbc"] = encode_map(merged_map(there.get(bus), draft_map(swap, bus, drafted)))
    for path, data in {**{p: t.encode() for p, t in texts.items()}, **maps}.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path) as temporary:
            temporary.write_bytes(data)
    for line in outlook(drafted):
        click.echo(textwrap.fill(line, WIDTH, subsequent_indent="  ", break_long_words=False))
    for change in changes:
        click.echo(textwrap.fill(f"changed: {change}", WIDTH, subsequent_indent="  ", break_long_words=False))
    say("Wrote bridge.toml, needs.toml, draft.json and both maps. Next: swapbridge compile bridge.toml --out plan.json")
