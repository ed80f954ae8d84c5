"""Where vehicles are analysed: processes of this machine, or those of a Dask cluster."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from typing import Any, Final, TypeVar, cast

from ingest.errors import Problem

Task = TypeVar("Task")
Done = TypeVar("Done")
_MOST_LOST: Final = 3  # times in a row that a process may end while the same task is the next to be done
_ANSWERS_S: Final = 20  # within which a scheduler has to answer


class Lost(Problem):
    """Processes end again and again while a task is the next to be done."""


class Stopped(Problem):
    """The processes were ended in the middle of their work, because somebody wants to stop."""


class TooLong(Problem):
    """A task takes longer than any does that is worth waiting for."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Ends what takes more of a processor's time, by TooLong: by a signal, so that nothing has to look at a clock for it, and only in
    the main thread of a process, as the tasks of this machine's are done. A cluster's scheduler has limits of its own."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return

    def end(*_: object) -> None:
        raise TooLong(f"it takes more than {seconds:g} s of a processor's time")

    before = signal.signal(signal.SIGPROF, end)
    signal.setitimer(signal.ITIMER_PROF, seconds, 1.0)  # once more each second, should somebody keep it to themselves
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


class Workers:
    """A process that is lost costs time only: another does its work again."""

    def __init__(
        self, start: Callable[[], Executor], losses: tuple[type[BaseException], ...] = (),
        end: Callable[[], None] = lambda: None,
        drop: Callable[[Any], None] = lambda pool: pool.shutdown(wait=False, cancel_futures=True),
    ) -> None:  # fmt: skip
        """`start` makes the processes, at first and whenever one is lost, which shows by a broken pool or one of `losses`; `end`
        ends them at once, `drop` lets go of them with what they have not begun."""
        self._start = start
        self._losses: tuple[type[BaseException], ...] = (BrokenProcessPool, *losses)
        self._pool: Executor | None = start()
        self._left: Executor | None = None  # that may still be at what nobody wants any more
        self._end, self._drop_pool, self._stopped = end, drop, False

    def map(self, work: Callable[[Task], Done], tasks: Sequence[Task]) -> Iterator[Done]:
        """The result of each task, in their order. Raises Lost instead of the result of a task that ends its process, and Stopped."""
        done = lost = 0
        while done < len(tasks):
            if self._pool is None:
                self._pool = self._start()
            futures: list[Future[Done]] = []
            try:
                futures += [self._pool.submit(work, task) for task in tasks[done:]]
                futures.reverse()
                while futures:
                    result = futures.pop().result()  # no result is held longer than it is wanted
                    done, lost = done + 1, 0
                    yield result
            except self._losses:
                self._drop()
                if self._stopped:
                    raise Stopped("stopped in the middle of an analysis") from None
                lost += 1
                if lost > _MOST_LOST:
                    raise Lost("the processes that analyse end again and again; is memory short?") from None
            except Exception:
                for future in futures:
                    future.cancel()
                raise
            except BaseException:  # whoever wanted the results leaves
                self._left = self._pool
                self._drop()
                raise

    def _drop(self) -> None:
        """Let go of the processes. Tasks are not cancelled one by one: a pool that loses a process right afterwards comes to grief over
        those that were, and leaves the other processes to themselves."""
        pool, self._pool = self._pool, None
        if pool is not None:
            self._drop_pool(pool)

    def stop(self) -> None:
        """End the processes at once, from another thread than that which waits for them."""
        self._stopped = True
        self._end()

    def close(self) -> None:
        """Let the processes go; what has not begun is not done any more."""
        for pool in (self._left, self._pool):
            if pool is not None:
                pool.shutdown(wait=True, cancel_futures=True)


def _follow(parent: Connection) -> None:
    """In each process: end when whoever began it closes its end, in order or by dying; nothing is lost by that, since only the
    other side writes."""

    def wait() -> None:
        with suppress(EOFError, OSError):
            parent.recv_bytes()
        os._exit(0)

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for whoever began it
    threading.Thread(target=wait, name="parent", daemon=True).start()


@contextmanager
def workers(number: int | None = None, dask: str = "", beside: Sequence[str] = ()) -> Iterator[Workers]:
    """Processes to analyse in, as many as the machine has processors unless told; or with `dask` the workers of the cluster whose
    scheduler has that address; `beside` are modules that other processes need which this one begins. Raises Problem where it does not
    answer."""
    if dask:
        with _cluster(dask) as made:
            yield made
        return
    # Not forked from this process: a lock that one of its threads holds would stay locked there.
    apart = multiprocessing.get_context("forkserver")
    apart.set_forkserver_preload(["analytics.pipeline.tasks", *beside])
    forkserver.ensure_running()  # and meanwhile this one does what it has to do before
    theirs, ours = apart.Pipe(duplex=False)
    one_at_a_time = threading.Lock()

    def end() -> None:
        with (
            one_at_a_time
        ):  # whoever stops and whoever is stopped by that: closed twice at once, a file of somebody else's may be shut
            ours.close()

    made = Workers(lambda: ProcessPoolExecutor(number or os.cpu_count() or 1, apart, _follow, (theirs,)), end=end)
    try:
        yield made
    finally:
        end()
        made.close()
        theirs.close()


@contextmanager
def _cluster(address: str) -> Iterator[Workers]:
    try:
        from distributed import Client, KilledWorker
        from distributed.comm.core import CommClosedError
    except ImportError:
        raise Problem("a Dask cluster needs its library: pip install 'tallow[scale]'") from None
    clients: list[Any] = []

    def start() -> Executor:
        while clients:  # one that has lost its scheduler does not come back by itself
            clients.pop().close(timeout=1)
        try:
            clients.append(cast("Any", Client)(address, timeout=_ANSWERS_S, set_as_default=False))
        except (OSError, ValueError) as error:
            raise Problem(f"the Dask scheduler at {address} cannot be reached: {error}") from None
        # Never taken for done because the same was asked before: it depends on what is recorded.
        found: Executor = clients[-1].get_executor(pure=False)
        return found

    try:
        lost = KilledWorker, CommClosedError, CancelledError
        yield Workers(start, lost, drop=lambda pool: pool.shutdown(wait=False))
    finally:
        while clients:
            clients.pop().close(timeout=1)
