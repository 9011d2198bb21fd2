"""Demo room: the invented swap laid out as a swap folder: captures, stimulus files, maps, bridge file, needs."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from functools import partial
from pathlib import Path

from swapbridge.capture.stimulus import write_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.core.files import written_whole
from swapbridge.core.progress import Progress
from swapbridge.demo.drive_legs import full_script, table_script, unplugged_script
from swapbridge.demo.recording import DemoRecording, record_vehicle
from swapbridge.demo.vehicle import donor_values, donor_vehicle, host_values, host_vehicle
from swapbridge.demo.vehicle_maps import demo_file, donor_map, host_map

DEMO_SEED = 20
"""Seed of the captures in the project's own `captures/` folder."""
_HOST_START_NS = 1_600_000_000_000_000_000
_DAY_NS = 86_400_000_000_000

HOST_RUNNING, HOST_UNPLUGGED = "host_old_engine", "host_unplugged"
DONOR_RUNNING, DONOR_ALONE = "donor_own_vehicle", "donor_alone"
RECORDINGS = (HOST_RUNNING, HOST_UNPLUGGED, DONOR_RUNNING, DONOR_ALONE)
"""Names of the recordings: before the old engine came out, with its computer unplugged; the donor in its own vehicle,
its computer by itself on a table."""


def demo_recording(name: str, seed: int = DEMO_SEED) -> DemoRecording:
    """One of the recordings a practitioner would make before the engines are taken out.

    Parameters
    ----------
    name : str
        One of `RECORDINGS`. The host's stimulus has the logger's clock, the donor's counts from its first frame, as two
        tools would differ.
    seed : int
        Decides noise, timing and the driver's habits; each recording has a drive of its own.
    """
    number = RECORDINGS.index(name)
    is_host = name in (HOST_RUNNING, HOST_UNPLUGGED)
    signal_map = host_map() if is_host else donor_map()
    legs, without = full_script(seed + number), frozenset[str]()
    if name == HOST_UNPLUGGED:
        legs, without = unplugged_script(), frozenset({"EngineModule"})
    elif name == DONOR_ALONE:
        legs, without = table_script(), frozenset(n.name for n in signal_map.nodes if n.kind != "engine")
    return record_vehicle(
        host_vehicle() if is_host else donor_vehicle(),
        signal_map,
        host_values if is_host else donor_values,
        legs,
        seed=seed + number,
        start_ns=_HOST_START_NS + number * _DAY_NS,
        bus_name="host" if is_host else "donor",
        source=name,
        without=without,
        relative_stimulus=name == DONOR_RUNNING,
    )


def demo_recordings(seed: int = DEMO_SEED) -> Iterator[tuple[str, DemoRecording]]:
    """Name and content of each of the demo's recordings, one after the other."""
    return ((name, demo_recording(name, seed)) for name in RECORDINGS)


def write_recordings(
    folder: Path, seed: int = DEMO_SEED, progress: Progress | None = None, executor: Executor | None = None
) -> list[Path]:
    """Write the demo's captures (``.log.gz``) and stimulus files (``.csv``) into an existing folder.

    The same seed gives the same bytes before compression, on any machine. With an executor the drives are driven at the
    same time.
    """
    write = partial(_write_recording, folder, seed)
    written: list[Path] = []
    for number, files in enumerate((map if executor is None else executor.map)(write, RECORDINGS)):
        if progress is not None:
            progress((number + 1) / len(RECORDINGS), RECORDINGS[number])
        written += files
    return written


def _write_recording(folder: Path, seed: int, name: str) -> tuple[Path, Path]:
    recording = demo_recording(name, seed)
    capture, stimulus = folder / f"{name}.log.gz", folder / f"{name}.csv"
    write_capture(recording.capture, capture)
    write_stimulus(recording.stimulus, stimulus)
    return capture, stimulus


def write_demo(folder: Path | str, seed: int = DEMO_SEED, progress: Progress | None = None) -> list[Path]:
    """Lay out the whole invented swap in a folder (made where it is not there).

    Parameters
    ----------
    folder : Path or str
        Gets ``captures/``, ``signal_maps/``, ``bridge.toml``, ``needs.toml`` and ``health.toml``.
    seed : int
        Decides noise, timing and the driver's habits.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    InputError
        The folder can't be written.
    """
    folder = Path(folder)
    for part in (folder / "captures", folder / "signal_maps"):
        part.mkdir(parents=True, exist_ok=True)
    written = write_recordings(folder / "captures", seed, progress)
    return [*written, *write_demo_papers(folder)]


PAPERS = {
    "brindle.dbc": "signal_maps/host.dbc",
    "tarnwick.dbc": "signal_maps/donor.dbc",
    "bridge.toml": "bridge.toml",
    "needs.toml": "needs.toml",
    "health.toml": "health.toml",
}
"""What the demo's builder wrote by hand, and where it goes in a swap folder."""


def write_demo_papers(folder: Path) -> list[Path]:
    """Write what the invented swap's builder wrote by hand: maps, bridge file, needs list, engine health sheet."""
    written = []
    for name, place in PAPERS.items():
        with written_whole(folder / place) as temporary:
            temporary.write_bytes(demo_file(name))
        written.append(folder / place)
    return written
