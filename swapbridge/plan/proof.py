"""Plan room: the one rule of whether a plan is proved, and whether it may send.

Pure: texts and digests go in, a ruling comes out. `proof_file` reads the files; the live gate, replay, the verdict,
`status` and the page all ask here, so that a plan is proved for all of them or for none.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, cast, get_args

from swapbridge.core.errors import InputError
from swapbridge.plan.plan import Plan
from swapbridge.plan.unreviewed import why_unreviewed

PROOF_FORMAT = "swapbridge-proof"
PROOF_VERSION = 2
WHOLE = ("quick", "full")
"""Fault campaigns that make a whole proof."""
BRIDGE_SOURCE = "bridge"

Outcome = Literal["PASSED", "FAILED", "NOT PROVED"]
EXIT_CODES: dict[Outcome, int] = {"PASSED": 0, "FAILED": 1, "NOT PROVED": 3}
Status = Literal["fail", "unproved", "warn", "open", "habit", "pass"]
STATUSES: tuple[Status, ...] = get_args(Status)
"""What a check may come to, the worst first; "fail" makes FAILED, "unproved" makes NOT PROVED."""
ProofState = Literal["proved", "missing", "unreadable", "other plan", "failed", "not proved", "partial", "changed"]


@dataclass(frozen=True, slots=True)
class ProvedFile:
    """A file that a proof judged by: "bridge" or "map NAME", where it lies, and its SHA-256.

    `path` is relative to the plan's folder, with forward slashes, or absolute where the file lies outside of it.
    """

    what: str
    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ProofHead:
    """The head of a proof.

    Attributes
    ----------
    plan_sha256 : str
        `plan_digest` of the plan it judged.
    outcome : {"PASSED", "FAILED", "NOT PROVED"}
    left_out : tuple of str
        What a whole proof has and this one left out; a partial proof allows nothing.
    sources : tuple of ProvedFile
        Bridge file and maps.
    thoroughness : str
        Fault campaign.
    seed : int
    counts : dict
        Checks by status.
    first_failure : str
        The first check that failed; where none did, the first that the recordings could not carry.
    """

    plan_sha256: str
    outcome: Outcome
    left_out: tuple[str, ...]
    sources: tuple[ProvedFile, ...]
    thoroughness: str
    seed: int
    counts: dict[str, int]
    first_failure: str


@dataclass(frozen=True, slots=True)
class ProofRuling:
    """Whether a plan is proved, and the sentence to say about it; `unreviewed` is what `review.why_unreviewed` says."""

    state: ProofState
    words: str
    head: ProofHead | None = None
    unreviewed: str = ""

    @property
    def proved(self) -> bool:
        """Only a whole PASSED proof of this very plan, its sources as they were, allows anything."""
        return self.state == "proved"


def plan_digest(plan: Plan) -> str:
    """SHA-256 of a plan as it is written: other spaces or another order of keys are the same plan."""
    return hashlib.sha256(plan.to_json().encode()).hexdigest()


def left_out(thoroughness: str, only: Iterable[str] = (), *, real_time: bool = True) -> tuple[str, ...]:
    """What a proof made with these choices leaves out of a whole one.

    Parameters
    ----------
    thoroughness : {"none", "quick", "full"}
        Fault campaign of the run.
    only : iterable of str
        Faults that the run was limited to.
    real_time : bool
        Whether it ran in real time too.

    Returns
    -------
    tuple of str
        Names of the parts left out; empty for a complete proof.
    """
    out = () if real_time else ("the real-time part",)
    chosen = ", ".join(only)
    if chosen:
        return (f"every fault but {chosen}", *out)
    return out if thoroughness in WHOLE else ("the faults", *out)


def proof_head(text: str, where: str = "the proof") -> ProofHead:
    """Read a proof's head.

    Raises
    ------
    InputError
        Not a proof, of another version, or one that contradicts itself.
    """
    try:
        data: Any = json.loads(text)
        if data["format"] != PROOF_FORMAT or data["version"] != PROOF_VERSION:
            raise KeyError(f"format {data['format']!r} version {data['version']!r}")
        if data["outcome"] not in get_args(Outcome):
            raise ValueError(f"outcome {data['outcome']!r}")
        counts: dict[str, int] = dict.fromkeys(STATUSES, 0)
        examples: dict[str, str] = {}
        for check in data["checks"]:
            counts[check["status"]] += 1
            examples.setdefault(check["status"], f"{check['subject']}, {check['name']}: {check['measured']}")
        if data["outcome"] == "PASSED" and (counts["fail"] or counts["unproved"]):
            raise ValueError("it passed, and a check of it did not")
        first = examples.get("fail") or examples.get("unproved", "")
        sources = tuple(ProvedFile(str(s["what"]), str(s["path"]), str(s["sha256"])) for s in data["sources"])
        without = (*map(str, data["left_out"]), *left_out(str(data["thoroughness"])))
        return ProofHead(
            str(data["plan_sha256"]),
            cast("Outcome", data["outcome"]),
            tuple(dict.fromkeys(without)),
            sources,
            str(data["thoroughness"]),
            int(data["seed"]),
            counts,
            first,
        )
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise InputError(f"{where} is not a proof this program reads ({error}): run `swapbridge prove` again") from None


def ruling_on(
    plan: Plan, proof: ProofHead | InputError | None, now: Mapping[str, str], name: str = "plan.json"
) -> ProofRuling:
    """Whether a plan is proved.

    Parameters
    ----------
    plan : Plan
    proof : ProofHead, InputError or None
        The proof beside it, why it can't be read, or None where there is none.
    now : mapping of str to str
        SHA-256 today of the proof's sources by their recorded path; only of those that are there. A plan and its proof
        carried to another computer alone have none, and hold.
    name : str
        The plan's file, for the sentence.
    """
    return replace(_ruling(plan, proof, now, name), unreviewed=why_unreviewed(plan))


def _ruling(plan: Plan, proof: ProofHead | InputError | None, now: Mapping[str, str], name: str) -> ProofRuling:
    how = f"run `swapbridge prove {name}`"
    if proof is None:
        return ProofRuling("missing", f"{name} was never proved: {how}")
    if isinstance(proof, InputError):
        return ProofRuling("unreadable", str(proof))
    if proof.plan_sha256 != plan_digest(plan):
        return ProofRuling(
            "other plan", f"the proof of {name} is of another plan, or the plan changed: {how} again", proof
        )
    if proof.outcome == "FAILED":
        return ProofRuling("failed", f"{name} failed its proof: change what it names, then {how} again", proof)
    if proof.outcome != "PASSED":
        lacking = f" ({proof.first_failure})" if proof.first_failure else ""
        return ProofRuling(
            "not proved", f"{name} is NOT PROVED{lacking}: supply what its proof names, {how} again", proof
        )
    if proof.left_out:
        left = " and ".join(proof.left_out)
        return ProofRuling("partial", f"the proof of {name} left out {left}: {how} with nothing left out", proof)
    if not any(source.what == BRIDGE_SOURCE for source in proof.sources):
        return ProofRuling("partial", f"the proof of {name} names no bridge file: {how} again", proof)
    changed = [s for s in proof.sources if s.path in now and now[s.path] != s.sha256]
    if changed:
        which = ", ".join(f"{s.what} ({s.path})" for s in changed)
        return ProofRuling("changed", f"changed since the proof of {name}: {which}. Compile, then {how} again", proof)
    return ProofRuling("proved", f"proved ({proof.thoroughness} faults, seed {proof.seed})", proof)


def why_not(ruling: ProofRuling, *, unproved: bool, makes: bool = True) -> str:
    """Why nothing of a plan may leave for a bus with wires; "" when it may.

    What the plan itself forbids, whatever was said aloud, comes first: rules learned and not reviewed.

    Parameters
    ----------
    ruling : Ruling
        The result of `ruling_on` for the plan.
    unproved : bool
        Whether a person said aloud to go on without a proof.
    makes : bool
        Whether frames that the plan makes would reach wires: not while it is silent, nor on virtual buses.

    Returns
    -------
    str
        The reason, or "" when sending is allowed.
    """
    if makes and ruling.unreviewed:
        return ruling.unreviewed
    if not ruling.proved and not unproved:
        return f"{ruling.words}. Add --unproved to do it anyway, with modules on a table only"
    return ""
