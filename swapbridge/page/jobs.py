"""Page room: long work off the request path, with progress and cancel."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.progress import Progress

MOST_JOBS = 50


class Cancelled(SwapbridgeError):
    """The person pressed cancel; raised inside the work at its next progress report."""


@dataclass(slots=True)
class Job:
    """One piece of work: what it is, how far it is, and how it ended."""

    key: str
    what: str
    started_s: float
    share: float = 0.0
    doing: str = "waiting"
    state: str = "running"
    error: str = ""
    result: Any = None
    cancel_asked: bool = False

    def to_dict(self) -> dict[str, Any]:
        """What the page receives; the result itself only when it is plain data."""
        return {
            "key": self.key,
            "what": self.what,
            "share": round(self.share, 4),
            "doing": self.doing,
            "state": self.state,
            "error": self.error,
            "seconds": round(time.monotonic() - self.started_s, 1),
            "result": self.result if isinstance(self.result, dict) else None,
        }


class Jobs:
    """Runs work in threads, two at a time; a job ends `done`, `failed` or `cancelled`."""

    def __init__(self, allowed: Callable[[], None] = lambda: None) -> None:
        self.allowed = allowed
        """Asked before work is queued; raises when there is a reason against it."""
        self._pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="page-job")
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}

    def start(self, what: str, work: Callable[[Progress], Any]) -> Job:
        """Queue work; it is called with a progress function that also carries a cancel back into it."""
        self.allowed()
        job = Job(secrets.token_urlsafe(8), what, time.monotonic())
        with self._lock:
            for key in [k for k, j in self._jobs.items() if j.state != "running"][
                : max(0, len(self._jobs) - MOST_JOBS)
            ]:
                del self._jobs[key]
            self._jobs[job.key] = job
        self._pool.submit(self._run, job, work)
        return job

    def get(self, key: str) -> Job | None:
        """The job of that key, or None."""
        with self._lock:
            return self._jobs.get(key)

    def cancel(self, key: str) -> bool:
        """Ask a running job to stop; it does at its next progress report."""
        job = self.get(key)
        if job is None or job.state != "running":
            return False
        job.cancel_asked = True
        return True

    def close(self) -> None:
        """Ask everything to stop and wait for it."""
        with self._lock:
            for job in self._jobs.values():
                job.cancel_asked = True
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _run(self, job: Job, work: Callable[[Progress], Any]) -> None:
        def progress(share: float, doing: str) -> None:
            if job.cancel_asked:
                raise Cancelled("cancelled")
            job.share, job.doing = min(1.0, max(0.0, share)), doing

        try:
            progress(0.0, "starting")
            job.result = work(progress)
            job.share, job.doing, job.state = 1.0, "done", "done"
        except Cancelled:
            job.state = "cancelled"
        except SwapbridgeError as error:
            job.error, job.state = str(error), "failed"
        except Exception as error:  # noqa: BLE001 - a thread's failure must reach the person, whatever it is
            job.error, job.state = f"this should not happen: {type(error).__name__}: {error}", "failed"
