"""Bus room: whether a plan was proved, as `prove` leaves it in ``proof.json`` beside the plan."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

PROOF_NAME = "proof.json"


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether the plan as it is now passed its proof, and the sentence to say about it."""

    passed: bool
    words: str


def proof_of(plan_path: Path) -> Proof:
    """Look for a proof beside a plan file and check that it is of this very plan.

    ``proof.json`` holds ``plan_sha256`` (of the plan file's bytes), ``passed``, ``seed`` and ``time``.
    """
    path = plan_path.with_name(PROOF_NAME)
    how = f"run `swapbridge prove {plan_path}`"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        proved, passed = data["plan_sha256"], data["passed"]
    except FileNotFoundError:
        return Proof(False, f"{plan_path.name} was never proved: {how}")
    except (OSError, UnicodeDecodeError, ValueError, KeyError, TypeError):
        return Proof(False, f"{path} can't be read as a proof: {how} again")
    if proved != hashlib.sha256(plan_path.read_bytes()).hexdigest():
        return Proof(False, f"{path} is of another plan, or the plan changed since: {how} again")
    if passed is not True:
        return Proof(False, f"{plan_path.name} failed its proof: mend what it names, then {how} again")
    return Proof(True, f"proved (seed {data.get('seed', '?')}, {data.get('time', 'no date')})")
