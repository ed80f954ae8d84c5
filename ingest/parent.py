"""A process that ends with the one that started it, however that one ends.

Whoever starts it gives it the reading end of a pipe, by number in `TALLOW_PARENT`, and keeps the writing end: the system closes that
when it dies.
"""

import os
import signal
import threading
import time
from typing import Final

from ingest.environment import take_parent_pipe

GRACE_S: Final = 2.0  # for ending in order


def follow() -> None:
    """From now on, end when the process that started this one does; nothing where none wants that."""
    number = take_parent_pipe()
    if number is not None:
        threading.Thread(target=_wait, args=(number,), name="parent", daemon=True).start()


def _wait(descriptor: int) -> None:
    try:
        os.read(descriptor, 1)
    except OSError:
        return  # there was no such pipe
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(GRACE_S)
    os.kill(os.getpid(), signal.SIGKILL)
