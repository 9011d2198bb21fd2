"""Bridge room: the checks before anything runs that look at the whole plan and the maps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from swapbridge.bridge.bridge_file import BridgeFile
from swapbridge.bridge.messages import SendDraft
from swapbridge.bridge.plan import Plan
from swapbridge.bridge.sources import Sources
from swapbridge.signalmap import SignalMap


def check_safety(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], sources: Sources, drafts: Sequence[SendDraft], plan: Plan
) -> list[str]:
    """Refuse what must not be sent; give what deserves attention."""
    return []
