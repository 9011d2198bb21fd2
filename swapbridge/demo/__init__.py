"""Two invented vehicles and their physics, for the tour and the tests."""

from swapbridge.demo.folder import (
    DEMO_SEED,
    DONOR_RUNNING,
    HOST_RUNNING,
    HOST_UNPLUGGED,
    demo_recordings,
    write_demo,
    write_demo_papers,
    write_recordings,
)
from swapbridge.demo.maps import donor_map, host_map

__all__ = [
    "DEMO_SEED",
    "DONOR_RUNNING",
    "HOST_RUNNING",
    "HOST_UNPLUGGED",
    "demo_recordings",
    "donor_map",
    "host_map",
    "write_demo",
    "write_demo_papers",
    "write_recordings",
]
