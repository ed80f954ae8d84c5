"""Processes that analyse: stopped at any moment they end without a word."""

import os
import subprocess
import sys
import threading
import time

import pytest

from analytics.pipeline.workers import Lost, Stopped, workers

CODE = """
import time
from analytics.pipeline.workers import workers
for _ in range(5):
    with workers(2) as pool:
        found = pool.map(time.sleep, [0.01] * 200)
        next(found)
        found.close()
"""


def nap_and_tell(seconds: float) -> int:
    """Takes its time."""
    time.sleep(seconds)
    return os.getpid()


def end_at_once(_: object) -> None:
    """As a process that is killed."""
    os._exit(1)


def test_results_come_in_the_order_of_the_tasks() -> None:
    """Whoever is done first; and what a task raises is raised."""
    with workers(2) as pool:
        assert list(pool.map(abs, [-3, 2, -1])) == [3, 2, 1]
        with pytest.raises(ZeroDivisionError):
            list(pool.map(divmod_by_zero, [1, 2]))
        assert list(pool.map(abs, [-4])) == [4]


def divmod_by_zero(number: int) -> float:
    """Raises."""
    return number / 0


def test_who_has_enough_leaves_nothing_behind() -> None:
    """Results of which only the first was wanted, and the end right after: nothing on standard error, no process that goes on."""
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_stopped_in_the_middle_it_says_so() -> None:
    """By another thread."""
    with workers(2) as pool:
        found = pool.map(nap_and_tell, [0.0, *[30.0] * 5])
        assert next(found)
        threading.Timer(0.2, pool.stop).start()
        with pytest.raises(Stopped):
            next(found)


def test_a_task_that_ends_its_process_is_lost() -> None:
    """After some tries; others are done after that."""
    with workers(1) as pool:
        with pytest.raises(Lost):
            list(pool.map(end_at_once, [None]))
        assert list(pool.map(abs, [-1])) == [1]
