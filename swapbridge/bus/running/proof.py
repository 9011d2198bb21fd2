"""Bus room: whether a plan was proved, as `prove` leaves it in ``proof.json`` beside the plan."""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

from swapbridge.core.errors import SwapbridgeError
from swapbridge.plan.serialise import plan_from_json

PROOF_NAME = "proof.json"


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether the plan as it is now passed its proof, and the sentence to say about it."""

    passed: bool
    words: str


def proof_of(plan_path: Path) -> Proof:
    """Look for a proof beside a plan file and check that it is of this very plan.

    ``proof.json`` holds ``plan_sha256`` (of the plan's text), ``passed``, ``seed`` and ``thoroughness``. A proof that
    tried no faults is none for a live bus.
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
    if proved not in _hashes(plan_path):
        return Proof(False, f"{path} is of another plan, or the plan changed since: {how} again")
    if passed is not True:
        return Proof(False, f"{plan_path.name} failed its proof: mend what it names, then {how} again")
    tried = data.get("thoroughness", "?")
    if tried == "none":
        return Proof(False, f"the proof of {plan_path.name} tried no faults: {how} without --faults none")
    return Proof(True, f"proved ({tried} faults, seed {data.get('seed', '?')})")


def _hashes(plan_path: Path) -> set[str]:
    """Of the file's bytes, and of the plan as it is written when nothing but its meaning counts."""
    raw = plan_path.read_bytes()
    texts = [raw]
    with contextlib.suppress(UnicodeDecodeError, SwapbridgeError):
        texts.append(plan_from_json(raw.decode()).to_json().encode())
    return {hashlib.sha256(text).hexdigest() for text in texts}
