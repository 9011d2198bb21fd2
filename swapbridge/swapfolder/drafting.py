"""Swap folder room: a draft made from a folder's recordings, and its files. Command, tour and page come here."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import WANTED, Recording, recording_stem, recordings_by_kind
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.core.files import written_whole
from swapbridge.core.progress import Progress, part_of
from swapbridge.drafting.draft import draft
from swapbridge.drafting.draft_text import bridge_text, claims, draft_map, drawings, needs_text
from swapbridge.drafting.drafted import Drafted
from swapbridge.drafting.merge_draft import merged_bridge, merged_map
from swapbridge.drafting.outlook import outlook, outlook_before_a_donor
from swapbridge.drafting.recordings import open_host, open_swap
from swapbridge.drafting.swap_sources import Swap
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import encode_map
from swapbridge.surveying.compare import compare
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.vanished_needs import needs_toml
from swapbridge.swapfolder.draft_report import draft_html, outlook_html
from swapbridge.swapfolder.paths import BRIDGE, FINDINGS, NEEDS_FOUND, SURVEY, SwapFolder, pristine

DRAFT, REPORT = "draft.json", "draft.html"
DRAWN, OUTLOOK = Path(SURVEY) / "draft_drawn.json", Path(SURVEY) / "draft_outlook.json"
BUSES = ("host", "donor")


@dataclass(frozen=True, slots=True)
class FolderDraft:
    """What a draft of a folder found, and what it wrote.

    Attributes
    ----------
    swap, drafted
        Both vehicles, and the drafted rules of every message that will be missed.
    changes : tuple of str
        What the draft changed its mind about since the last one.
    files : mapping of Path to bytes
        What the draft writes: bridge file and maps merged with those that are there, and all that is made anew.
    """

    swap: Swap
    drafted: Drafted
    changes: tuple[str, ...]
    files: Mapping[Path, bytes]


@dataclass(frozen=True, slots=True)
class HostOutlook:
    """What a donor's computer must send, from the host's recordings alone.

    Attributes
    ----------
    lines : tuple of str
        Sentences, the most important first.
    files : mapping of Path to bytes
        The report, and the outlook that the page's draft view shows.
    """

    lines: tuple[str, ...]
    files: Mapping[Path, bytes]


def draft_recordings(folder: SwapFolder) -> dict[str, Recording]:
    """The recordings of a folder that a draft is made from, by kind, as far as they are there."""
    return {k: r for k, r in recordings_by_kind(folder.captures).items() if k in WANTED}


def make_draft(
    folder: SwapFolder,
    captures: Mapping[str, Capture],
    *,
    progress: Progress | None = None,
    executor: Executor | None = None,
    report: Path | None = None,
) -> FolderDraft:
    """Draft maps, needs list and bridge file from a folder's recordings; a person's lines stay. Nothing is written.

    Surveys, the comparison of the two host recordings and the findings are made as well.

    Parameters
    ----------
    folder : SwapFolder
    captures : dict of str to Capture
        The recordings of `draft_recordings`, read.
    progress, executor
        As for `guess`.
    report : Path, optional
        Where the HTML report goes; by default ``draft.html`` in the folder.

    Raises
    ------
    InputError
        A recording is missing or shows nothing, or a file that is there can't be read.
    """
    found = draft_recordings(folder)
    tracks = {k: read_stimulus(r.stimulus).on_clock_of(captures[k]) for k, r in found.items() if r.stimulus is not None}
    there = {bus: load_map(path) for bus in BUSES if (path := folder.maps / f"{bus}.dbc").is_file()}
    swap, findings = open_swap(captures, tracks, progress=part_of(progress, 0.0, 0.5), executor=executor)
    drafted = draft(swap, maps=there, progress=part_of(progress, 0.5, 1.0), executor=executor)
    old = folder.bridge.read_text(encoding="utf-8") if folder.bridge.is_file() else ""
    bridge, changes = merged_bridge(old, bridge_text(swap, drafted, folder.path.absolute().name), pristine(BRIDGE))
    changed = compare(captures["host"], captures["host unplugged"])
    texts = {
        folder.bridge: bridge,
        folder.needs: needs_text(swap, drafted),
        folder.path / DRAFT: _json(claims(drafted)),
        folder.path / DRAWN: json.dumps(drawings(drafted), allow_nan=False) + "\n",
        folder.path / OUTLOOK: _outlook_json(outlook(drafted)),
        folder.path / SURVEY / "compare_host.json": _json(changed.to_dict()),
        folder.path / NEEDS_FOUND: needs_toml(changed, "host"),
    }
    for kind, capture in captures.items():
        name = f"{recording_stem(found[kind].path.name)}.json"
        texts[folder.path / SURVEY / name] = _json(survey(capture).to_dict())
        if kind in findings:
            texts[folder.path / FINDINGS / name] = _json(findings[kind].to_dict())
    texts[report or folder.path / REPORT] = draft_html(drafted, folder.path.absolute().name)
    files = {path: text.encode() for path, text in texts.items()}
    for bus in BUSES:
        files[folder.maps / f"{bus}.dbc"] = encode_map(merged_map(there.get(bus), draft_map(swap, bus, drafted)))
    return FolderDraft(swap, drafted, tuple(changes), files)


def has_no_donor(found: Mapping[str, Recording]) -> bool:
    """Whether a folder's recordings are of the host only, both that an outlook needs."""
    return set(found) == {"host", "host unplugged"}


def outlook_without_donor(
    folder: SwapFolder,
    captures: Mapping[str, Capture],
    *,
    progress: Progress | None = None,
    executor: Executor | None = None,
    report: Path | None = None,
) -> HostOutlook:
    """What a donor's computer must send, from the host's recordings alone. Nothing is written.

    Parameters
    ----------
    folder : SwapFolder
        The swap folder.
    captures : dict of str to Capture
        The recordings of `draft_recordings`, read.
    progress, executor
        As for `guess`.
    report : Path, optional
        Where the HTML report goes; by default ``draft.html`` in the folder.

    Returns
    -------
    HostOutlook
        The outlook, and what a command writes of it.
    """
    found = draft_recordings(folder)
    tracks = {k: read_stimulus(r.stimulus).on_clock_of(captures[k]) for k, r in found.items() if r.stimulus is not None}
    swap = open_host(captures, tracks, progress=part_of(progress, 0.0, 0.5), executor=executor)
    lines = outlook_before_a_donor(swap, draft(swap, progress=part_of(progress, 0.5, 1.0), executor=executor))
    return host_outlook(lines, folder, report)


def host_outlook(lines: Sequence[str], folder: SwapFolder, report: Path | None = None) -> HostOutlook:
    """These sentences with the files that carry them."""
    texts = {
        folder.path / OUTLOOK: _outlook_json(lines),
        report or folder.path / REPORT: outlook_html(lines, folder.path.absolute().name),
    }
    return HostOutlook(tuple(lines), {path: text.encode() for path, text in texts.items()})


def draft_folder(
    folder: SwapFolder,
    captures: Mapping[str, Capture],
    *,
    progress: Progress | None = None,
    executor: Executor | None = None,
    report: Path | None = None,
) -> FolderDraft:
    """`make_draft`, and its files written.

    Parameters
    ----------
    folder : SwapFolder
        The swap folder.
    captures : mapping of str to Capture
        By kind of recording.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.
    executor : Executor, optional
        Runs the tasks; by default all run in this process.
    report : Path, optional
        The HTML report; by default `draft.html` in the folder.

    Returns
    -------
    FolderDraft
        The draft and the changes made to the folder's files.
    """
    made = make_draft(folder, captures, progress=progress, executor=executor, report=report)
    write_draft_files(made.files)
    return made


def write_draft_files(files: Mapping[Path, bytes]) -> None:
    """Write what a draft or an outlook made."""
    for path, data in files.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path) as temporary:
            temporary.write_bytes(data)


def _outlook_json(lines: Sequence[str]) -> str:
    return _json({"outlook": list(lines)})


def _json(values: object) -> str:
    return json.dumps(values, indent=1, allow_nan=False) + "\n"
