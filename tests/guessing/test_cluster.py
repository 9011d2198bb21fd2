"""A cluster of two workers, one of them lost half way: the same answer as alone."""

from __future__ import annotations

import os
import signal
import threading
import time
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.meaning.meaning import attach_meaning


@pytest.mark.long
def test_no_scheduler_is_said_plainly() -> None:
    """An address where nobody answers is refused with the next step."""
    with pytest.raises(InputError, match="no scheduler answers"), open_executor(scheduler="tcp://127.0.0.1:9"):
        pass


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")  # a worker that dies leaves sockets behind, which is the point
def test_a_lost_worker_changes_nothing(plain_vehicle: Any) -> None:
    """One of two workers is killed while tasks are out; its tasks are done again and the findings are equal."""
    from distributed import LocalCluster

    alone = attach_meaning(plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus)
    made: Any = LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=2, threads_per_worker=1, dashboard_address=None
    )
    with made as cluster:
        victim = next(iter(cluster.workers.values())).process.pid
        with open_executor(scheduler=cluster.scheduler_address) as executor:
            assert executor is not None
            killed = threading.Event()

            def kill() -> None:
                time.sleep(0.3)
                os.kill(victim, signal.SIGKILL)
                killed.set()

            slow = [executor.submit(time.sleep, 0.4) for _ in range(4)]
            threading.Thread(target=kill).start()
            shared = attach_meaning(
                plain_vehicle.fields, plain_vehicle.capture, plain_vehicle.stimulus, executor=executor
            )
            for future in slow:
                future.result()
            assert killed.is_set()
    assert shared == alone
