"""Page room: things that take long are made once, however many ask for them at the same time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

MOST_KEPT = 200


@dataclass(slots=True)
class _OnceSlot:
    lock: threading.Lock = field(default_factory=threading.Lock)
    made: bool = False
    stamp: object = None
    value: Any = None


class Once:
    """Values by key, each with the stamp it was made for; the ones longest unused are dropped.

    Parameters
    ----------
    most : int
        Values kept.
    """

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._places: OrderedDict[object, _OnceSlot] = OrderedDict()

    def value(self, key: object, stamp: object, make: Callable[[], Any]) -> Any:
        """The value of a key, made by the first who asks while all others wait for it; a failure is not kept."""
        with self._lock:
            place = self._places.setdefault(key, _OnceSlot())
            self._places.move_to_end(key)
            while len(self._places) > self._most:
                self._places.popitem(last=False)
        with place.lock:
            if not place.made or place.stamp != stamp:
                place.made, place.value = False, None  # the old one goes before the new one needs the memory
                place.value, place.stamp, place.made = make(), stamp, True
            return place.value
