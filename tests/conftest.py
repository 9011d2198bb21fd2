"""How Hypothesis draws its examples: the same ones everywhere, so that a run can be repeated; `explore` draws new ones.

    pytest --hypothesis-profile explore

is for looking for trouble, before a release say; what it finds becomes an example of its own in the test.
"""

from __future__ import annotations

import uuid

import pytest
from hypothesis import settings

settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("explore", deadline=None, print_blob=True)
settings.load_profile("same")


@pytest.fixture
def channel() -> str:
    """Name of a virtual channel that no other test uses."""
    return f"test-{uuid.uuid4().hex[:12]}"
