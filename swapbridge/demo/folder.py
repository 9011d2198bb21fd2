"""Demo room: the invented swap laid out as a swap folder: captures, stimulus files, maps, bridge file, needs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from swapbridge.capture.stimulus import write_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.core.files import written_whole
from swapbridge.core.progress import Progress
from swapbridge.demo.maps import demo_file, donor_map, host_map
from swapbridge.demo.recording import DemoRecording, record_vehicle
from swapbridge.demo.script import bench_script, full_script, unplugged_script
from swapbridge.demo.vehicle import donor_values, donor_vehicle, host_values, host_vehicle

DEMO_SEED = 20
"""Seed of the captures in the project's own `captures/` folder."""
_HOST_START_NS = 1_600_000_000_000_000_000
_DAY_NS = 86_400_000_000_000

HOST_RUNNING, HOST_UNPLUGGED = "host_old_engine", "host_unplugged"
DONOR_RUNNING, DONOR_ALONE = "donor_own_vehicle", "donor_alone"
RECORDINGS = (HOST_RUNNING, HOST_UNPLUGGED, DONOR_RUNNING, DONOR_ALONE)
"""Names of the recordings: before the old engine came out, with its computer unplugged; the donor in its own vehicle,
its computer by itself on the bench."""


def demo_recordings(seed: int = DEMO_SEED) -> Iterator[tuple[str, DemoRecording]]:
    """Name and content of each recording a practitioner would make before the engines are taken out.

    The host's stimulus has the logger's clock, the donor's counts from its first frame, as two tools would differ.
    """
    yield (
        HOST_RUNNING,
        record_vehicle(
            host_vehicle(),
            host_map(),
            host_values,
            full_script(seed),
            seed=seed,
            start_ns=_HOST_START_NS,
            bus_name="host",
            source=HOST_RUNNING,
        ),
    )
    yield (
        HOST_UNPLUGGED,
        record_vehicle(
            host_vehicle(),
            host_map(),
            host_values,
            unplugged_script(),
            seed=seed + 1,
            start_ns=_HOST_START_NS + _DAY_NS,
            bus_name="host",
            source=HOST_UNPLUGGED,
            without=frozenset({"EngineModule"}),
        ),
    )
    yield (
        DONOR_RUNNING,
        record_vehicle(
            donor_vehicle(),
            donor_map(),
            donor_values,
            full_script(seed + 2),
            seed=seed + 2,
            start_ns=_HOST_START_NS + 2 * _DAY_NS,
            bus_name="donor",
            source=DONOR_RUNNING,
            relative_stimulus=True,
        ),
    )
    yield (
        DONOR_ALONE,
        record_vehicle(
            donor_vehicle(),
            donor_map(),
            donor_values,
            bench_script(),
            seed=seed + 3,
            start_ns=_HOST_START_NS + 3 * _DAY_NS,
            bus_name="donor",
            source=DONOR_ALONE,
            without=frozenset(n.name for n in donor_map().nodes if n.kind != "engine"),
        ),
    )


def write_recordings(folder: Path, seed: int = DEMO_SEED, progress: Progress | None = None) -> list[Path]:
    """Write the demo's captures (``.log.gz``) and stimulus files (``.csv``) into an existing folder.

    The same seed gives the same bytes before compression, on any machine.
    """
    written = []
    for number, (name, recording) in enumerate(demo_recordings(seed)):
        if progress is not None:
            progress((number + 1) / len(RECORDINGS), name)
        write_capture(recording.capture, folder / f"{name}.log.gz")
        write_stimulus(recording.stimulus, folder / f"{name}.csv")
        written += [folder / f"{name}.log.gz", folder / f"{name}.csv"]
    return written


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
