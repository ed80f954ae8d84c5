"""Where vehicles are analysed: processes of this machine, or those of a Dask cluster."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, Final, TypeVar, cast

from ingest.problem import Problem

Task = TypeVar("Task")
Done = TypeVar("Done")
_MOST_LOST: Final = 3  # times in a row that a process may end while the same task is the next to be done
_ANSWERS_S: Final = 20  # within which a scheduler has to answer


class Workers:
    """A process that is lost costs time only: another does its work again."""

    def __init__(self, start: Callable[[], Executor]) -> None:
        self._start, self._pool = start, start()

    def map(self, work: Callable[[Task], Done], tasks: Sequence[Task]) -> Iterator[Done]:
        """The result of each task, in their order. Raises Problem where processes end again and again."""
        done = lost = 0
        while done < len(tasks):
            try:
                for result in self._pool.map(work, tasks[done:]):
                    done, lost = done + 1, 0
                    yield result
            except BrokenProcessPool:
                lost += 1
                if lost > _MOST_LOST:
                    raise Problem("the processes that analyse end again and again; is memory short?") from None
                self._pool.shutdown(wait=False)
                self._pool = self._start()

    def close(self) -> None:
        """Let the processes go; what has not begun is not done any more."""
        self._pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def workers(number: int | None = None, dask: str = "") -> Iterator[Workers]:
    """Processes to analyse in, as many as the machine has processors unless told; or with `dask` the workers of the cluster whose
    scheduler has that address. Raises Problem where it does not answer."""
    if not dask:
        made = Workers(lambda: ProcessPoolExecutor(number or os.cpu_count() or 1))
        try:
            yield made
        finally:
            made.close()
        return
    try:
        from distributed import Client
    except ImportError:
        raise Problem("a Dask cluster needs its library: pip install 'tallow[scale]'") from None
    try:
        client: Any = cast("Any", Client)(dask, timeout=_ANSWERS_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise Problem(f"the Dask scheduler at {dask} cannot be reached: {error}") from None
    with client:
        # Never taken for done because the same was asked before: it depends on what is recorded.
        yield Workers(lambda: client.get_executor(pure=False))
