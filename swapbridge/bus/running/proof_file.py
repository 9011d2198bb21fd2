"""Bus room: the proof beside a plan's file: read for `proof.ruling_on`, and the sources that a new one names."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from swapbridge.core.errors import InputError
from swapbridge.core.files import PROOF_NAME
from swapbridge.plan.plan import Plan
from swapbridge.plan.proof import BRIDGE_SOURCE, ProofHead, ProofRuling, ProvedFile, proof_head, ruling_on


def ruling_beside(plan: Plan, plan_path: Path) -> ProofRuling:
    """Whether a plan is proved by the proof beside its file, with its sources as they lie there today."""
    path = plan_path.with_name(PROOF_NAME)
    proof = _read(path)
    now = _digests_now(proof, path.parent) if isinstance(proof, ProofHead) else {}
    return ruling_on(plan, proof, now, plan_path.name)


def sources_for(plan_path: Path, bridge: Path, maps: Mapping[str, Path]) -> tuple[ProvedFile, ...]:
    """The sources that a proof of a plan names: the bridge file, and the maps by bus name.

    Raises
    ------
    InputError
        A file can't be read.
    """
    folder = plan_path.absolute().parent
    out = []
    for what, file in {BRIDGE_SOURCE: bridge, **{f"map {name}": file for name, file in maps.items()}}.items():
        whole = file.absolute()
        path = whole.relative_to(folder) if whole.is_relative_to(folder) else whole
        try:
            out.append(ProvedFile(what, path.as_posix(), hashlib.sha256(file.read_bytes()).hexdigest()))
        except OSError as error:
            raise InputError(f"{file} can't be read ({error.strerror}): check its name") from None
    return tuple(out)


def _read(path: Path) -> ProofHead | InputError | None:
    try:
        return proof_head(path.read_text(encoding="utf-8"), str(path))
    except FileNotFoundError:
        return None
    except InputError as error:
        return error
    except (OSError, UnicodeDecodeError) as error:
        return InputError(f"{path} can't be read as a proof ({error}): run `swapbridge prove` again")


def _digests_now(head: ProofHead, folder: Path) -> dict[str, str]:
    """By recorded path; "" for what is there and can't be read, which counts as changed."""
    out = {}
    for source in head.sources:
        try:
            out[source.path] = hashlib.sha256((folder / source.path).read_bytes()).hexdigest()
        except (FileNotFoundError, NotADirectoryError):
            continue
        except (OSError, ValueError):
            out[source.path] = ""
    return out
