"""Language room: what a bridge file leaves unsaid: the numbers that compiler and exact reference both go by.

Told once: a default is a decision, not arithmetic, and two copies of this one drifted apart.
"""

from __future__ import annotations

from fractions import Fraction

AGE_PERIODS = 5
"""Age limit of a source in its own periods (common practice, no source)."""
SHORTEST_AGE_US = 50_000
LONGEST_AGE_US = 600_000_000
RECOVER_FRAMES = 3
"""Good frames in a row before a stale source counts again."""
LOST_OK = 3
"""Frames that may be missing before a counter is wrong."""
RESOLUTION_STEPS = 1024
"""Parts of the sent signal's step that its value is rounded to."""
OTHER_RESOLUTION = Fraction(1, 65536)
"""What a value of another kind than the sent signal's is rounded to, in its own unit."""
HOLD_US = 500_000
"""How long a role of 'hold then zero' keeps the last value."""
RAMP_SECONDS = Fraction(1, 2)
"""How long a torque request takes from one limit to the other on its way to 'none'."""
RAMP_PARTS = 1 << 16
"""A ramp is kept to this share of a raw step at the finest, so that a slow one is as slow as it says."""
CHECK_US = 10_000
"""How often a message that is sent on change is looked at, at the most."""
REQUEST_GAP_US = 100_000
"""Shortest time between two answers of a J1939 group that is asked for: common practice, no source."""
