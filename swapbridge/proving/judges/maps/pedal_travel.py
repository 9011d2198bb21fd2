"""Proving room: a pedal's own travel tells its scale where nothing measured it: released is 0 %, floored is 100 %."""

from __future__ import annotations

from swapbridge.proving.case import Case
from swapbridge.proving.judges.maps.likeness import unit_values
from swapbridge.proving.judges.recordings.driving import channel_of
from swapbridge.proving.verdict import Check, check_of

RELEASED, FLOORED = (-1.0, 3.0), (95.0, 103.0)
"""In percent: where a pedal rests, and where it ends (common practice, no source)."""


def judge_pedal_travel(case: Case) -> list[Check]:
    """One check for each pedal position that is read or made, on a bus beside which nobody measured the pedal."""
    read = {place for made in case.made for place in made.sources}
    read |= {(case.names[m.bus], m.message.name, m.signal.name) for m in case.made if m.sources}
    out = []
    for bus, name in enumerate(case.names):
        if channel_of(case, bus, "pedal_position") is not None:
            continue
        for message, signal in case.by_role(bus, "pedal_position"):
            track = case.recorded_track(bus, message, signal)
            if (name, message.name, signal.name) not in read or track is None or not track.measured.any():
                continue
            percent = unit_values(case, bus, message.name, signal, track.values[track.measured], "%")
            if percent is None:
                continue
            low, high = float(percent.min()), float(percent.max())
            out.append(
                check_of(
                    "maps",
                    f"{name}.{message.name}.{signal.name}",
                    "from released to floored",
                    RELEASED[0] <= low <= RELEASED[1] and FLOORED[0] <= high <= FLOORED[1],
                    f"{low:.3g} to {high:.3g} %, and nothing beside the recording measured the pedal",
                    "0 to 100 %: a pedal that is pressed to the floor once tells its scale",
                    "record with the pedal on the scan tool, or press it to the floor once; or correct its scale",
                    otherwise="unproved",
                )
            )
    return out
