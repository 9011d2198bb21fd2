"""Proof files for tests: a whole PASSED proof of a plan, and whatever is changed about it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from swapbridge.plan.plan import Plan
from swapbridge.plan.proof import PROOF_FORMAT, PROOF_VERSION, ProofRuling, plan_digest

PROVED = ProofRuling("proved", "proved (seed 1, today)")
UNPROVED = ProofRuling("missing", "plan.json was never proved")


def proof_text(plan: Plan, **changes: Any) -> str:
    """``proof.json`` of a plan, as `prove` writes its head."""
    body = {
        "format": PROOF_FORMAT,
        "version": PROOF_VERSION,
        "plan_sha256": plan_digest(plan),
        "outcome": "PASSED",
        "left_out": [],
        "sources": [{"what": "bridge", "path": "sources/bridge.toml", "sha256": "0" * 64}],
        "thoroughness": "quick",
        "seed": 3,
        "checks": [],
    }
    return json.dumps(body | changes)


def write_proof(folder: Path, plan: Plan, **changes: Any) -> None:
    """Plan and proof into a folder."""
    (folder / "plan.json").write_text(plan.to_json())
    (folder / "proof.json").write_text(proof_text(plan, **changes))
