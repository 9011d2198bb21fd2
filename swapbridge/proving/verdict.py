"""Proving room: what a proof says: checks with what was measured and required, coverage board, curves."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

from swapbridge._version import __version__
from swapbridge.plan.proof import PROOF_FORMAT, PROOF_VERSION, STATUSES, Outcome, ProvedFile, Status

AREAS = (
    "evidence", "maps", "own words", "life", "engines", "content", "form", "needs", "time", "faults", "round trip",
    "real time",
)  # fmt: skip
"""What is judged, in the order in which it is shown: first whether there is anything to judge by."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing judged.

    Attributes
    ----------
    area : str
        One of `AREAS`.
    subject : str
        Message, signal or fault, with its bus.
    name : str
        What was looked at: "period", "counter", "checksum".
    status : {"fail", "unproved", "warn", "open", "habit", "pass"}
        "unproved": the recordings can't show it, which leaves all unproved. "warn": somebody has to look. "open":
        not proved, and said so. "habit": another engine's, not wrong.
    measured, required : str
        Both values, with units.
    remedy : str
        What to change when it is no pass.
    """

    area: str
    subject: str
    name: str
    status: Status
    measured: str
    required: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Coverage:
    """One line of the coverage board: what a module waits for, and how it gets it.

    `quality` is "exact", "approximate" or "" where nothing is computed; `state` is "proved" (its role has a live
    source), "constant", "as recorded", "clipped", "open", "not proved", "missing", "wired", "licensed programming",
    "not mapped" or "present" (its sender is still on the bus).
    """

    module: str
    bus: str
    need: str
    made_from: str
    quality: str
    state: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class SignalTime:
    """End-to-end age of a sent signal: from its source's frame on one bus to its own frame on the other, in ms."""

    subject: str
    median_ms: float
    p99_ms: float
    worst_ms: float
    budget_ms: float | None = None


@dataclass(frozen=True, slots=True)
class BusTime:
    """Bus load before and after the translator, 0 to 1."""

    bus: str
    bit_rate: int
    load_before: float
    load_after: float
    worst_second_after: float


@dataclass(frozen=True, slots=True)
class ResponseTime:
    """Worst-case response time of an identifier by analysis, what the simulation saw, and its deadline, in ms.

    `seen_ms` is 0 where nothing of the translator's ever stood in its way.
    """

    bus: str
    identifier: str
    name: str
    planned: bool
    bound_ms: float | None
    seen_ms: float
    deadline_ms: float


@dataclass(frozen=True, slots=True)
class FaultRun:
    """One run with faults injected: what was required and what came of it."""

    faults: tuple[str, ...]
    seconds: float
    seed: int
    status: Status
    frames_sent: int
    problems: tuple[str, ...] = ()
    reaction_ms: float | None = None
    recovery_ms: float | None = None


@dataclass(frozen=True, slots=True)
class ProofOverlay:
    """Source and translated signal over time, thinned for a picture: seconds and physical values."""

    title: str
    source_name: str
    source_unit: str
    source: tuple[tuple[float, float], ...]
    sent_name: str
    sent_unit: str
    sent: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class DifferingCurve:
    """Where what is sent differs from what was recorded: both over time in one unit, and the likely cause."""

    title: str
    cause: str
    unit: str
    recorded: tuple[tuple[float, float], ...]
    sent: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class EngineFigure:
    """One figure of both engines and the gearbox side by side, "" where it is not known."""

    what: str
    host: str
    donor: str
    gearbox: str = ""


@dataclass(frozen=True, slots=True)
class Beyond:
    """Something that no recording holds, and what is sent when it happens as far as it shows as a lost source."""

    what: str
    answers: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """All a proof says. Equal inputs and seed give equal verdicts; wall-clock times are kept out of it."""

    plan_name: str
    plan_sha256: str
    inputs: tuple[tuple[str, str], ...]
    seed: int
    thoroughness: str
    checks: tuple[Check, ...] = ()
    coverage: tuple[Coverage, ...] = ()
    signal_times: tuple[SignalTime, ...] = ()
    bus_times: tuple[BusTime, ...] = ()
    responses: tuple[ResponseTime, ...] = ()
    faults: tuple[FaultRun, ...] = ()
    overlays: tuple[ProofOverlay, ...] = ()
    curves: tuple[DifferingCurve, ...] = ()
    engines: tuple[EngineFigure, ...] = ()
    beyond: tuple[Beyond, ...] = ()
    cautions: tuple[str, ...] = ()
    sources: tuple[ProvedFile, ...] = ()
    left_out: tuple[str, ...] = ()
    version: str = field(default=__version__)

    @property
    def outcome(self) -> Outcome:
        """The word that stands in front, and in ``proof.json``."""
        found = {c.status for c in self.checks}
        return "FAILED" if "fail" in found else "NOT PROVED" if "unproved" in found else "PASSED"

    @property
    def passed(self) -> bool:
        """Nothing failed, and the recordings could carry it."""
        return self.outcome == "PASSED"

    @property
    def kept(self) -> bool:
        """Whether it becomes the ``proof.json`` beside the plan: a partial pass must not take a whole one's place."""
        return not self.left_out or not self.passed

    def counts(self, area: str | None = None) -> dict[Status, int]:
        """Checks by status."""
        out: dict[Status, int] = dict.fromkeys(STATUSES, 0)
        for check in self.checks:
            if area is None or check.area == area:
                out[check.status] += 1
        return out

    def of(self, area: str) -> tuple[Check, ...]:
        """Checks of an area, failures first."""
        return tuple(sorted((c for c in self.checks if c.area == area), key=lambda c: STATUSES.index(c.status)))

    def with_status(self, status: Status) -> tuple[Check, ...]:
        """Checks of one status, in the order of the areas."""
        return tuple(c for area in AREAS for c in self.checks if c.status == status and c.area == area)

    @property
    def worst(self) -> tuple[Check, ...]:
        """Failures, then what the recordings can't carry, then what somebody has to look at."""
        return tuple(c for s in ("fail", "unproved", "warn") for c in self.with_status(s))

    def to_json(self) -> str:
        """Versioned JSON; `plan.proof.proof_head` reads its head back."""
        body = {"format": PROOF_FORMAT, "version": PROOF_VERSION, "outcome": self.outcome, "made_by": self.version}
        body.update({f.name: _plain(getattr(self, f.name)) for f in fields(self) if f.name != "version"})
        return json.dumps(body, indent=1, ensure_ascii=False) + "\n"


def _plain(value: Any) -> Any:
    """What JSON can write: records as dicts. Points of curves, of which there are many, go as they are."""
    if isinstance(value, tuple) and value and is_dataclass(value[0]):
        return [_plain(one) for one in value]
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    return value


def check_of(
    area: str,
    subject: str,
    name: str,
    ok: bool,
    measured: str,
    required: str,
    remedy: str,
    *,
    warn: bool = False,
    otherwise: Status = "fail",
) -> Check:
    """A check that passes, or else fails (or warns, or what `otherwise` says)."""
    status: Status = "pass" if ok else ("warn" if warn else otherwise)
    return Check(area, subject, name, status, measured, required, "" if ok else remedy)
