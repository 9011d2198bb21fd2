"""The outlook from the host's recordings alone: what a donor's computer must send."""

from __future__ import annotations

import pytest

from swapbridge.core.errors import InputError
from swapbridge.drafting.draft import draft
from swapbridge.drafting.outlook import outlook_before_a_donor
from swapbridge.drafting.recordings import open_host
from tests.drafting.rig import recordings


@pytest.mark.long
def test_the_host_alone_tells_what_a_donor_has_to_say() -> None:
    """The rig's computer says engine speed, pedal and coolant; a flag needs the compressor of the host's body too."""
    captures, tracks = recordings()
    swap = open_host({k: captures[k] for k in ("host", "host unplugged")}, {"host": tracks["host"]})
    lines = outlook_before_a_donor(swap, draft(swap))
    assert lines[0].startswith("4 messages will be missed")
    assert "1 of them can't be made by any donor" in lines[0]
    for channel in ("engine speed", "pedal position", "coolant temperature"):
        assert channel in lines[1]
    assert "compressor" not in lines[1]
    assert any("start-up payload differs" in line for line in lines)
    assert {m.bus for m in draft(swap).messages} == {"host"}


def test_it_says_which_recording_is_missing() -> None:
    captures, _ = recordings()
    with pytest.raises(InputError, match="unplugged"):
        open_host({"host": captures["host"]}, {})
    with pytest.raises(InputError, match="same recording"):
        open_host({"host": captures["host"], "host unplugged": captures["host"]}, {})
