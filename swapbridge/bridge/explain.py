"""Bridge room: a plan in words that a mechanic can check line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swapbridge.bridge.plan import Plan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from swapbridge.bridge.bridge_file import BridgeFile
    from swapbridge.bridge.messages import SendDraft


def explain_plan(plan: Plan, bridge: BridgeFile, drafts: Sequence[SendDraft]) -> str:
    """The whole plan as plain text, at most 100 columns where names allow."""
    return f"{plan.name}\n"
