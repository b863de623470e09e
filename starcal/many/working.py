"""Work done for many frames, some at a time, each in a process of its own: one that dies takes no
other with it.

On a cluster it is Dask that hands the work out, replaces workers that die and tries again what they
had in hand.
"""

import multiprocessing
import os
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any

from ..choices import COUNT
from ..cores import CORES_LIMIT, cores
from ..errors import ClusterError, StarcalError

THREAD_LIMITS = (CORES_LIMIT, "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
TRIES_ON_A_CLUSTER = 3
CLUSTER_ANSWERS_S = 5


@dataclass(frozen=True)
class Done:
    """What came of one piece of work: its result, or why there is none."""

    result: Any = None
    error: StarcalError | None = None


def work_through(
    work: Callable, tasks: Sequence[tuple], *, jobs: int = 1, cluster: str | None = None
) -> Iterator[tuple[int, Done]]:
    """Call a function with each set of arguments.

    Parameters
    ----------
    work : callable
        Of a module, so that another process finds it.
    tasks : sequence of tuple
        Its arguments.
    jobs : int
        Processes at a time; with 1 all is done in this one.
    cluster : str, optional
        Address of a Dask scheduler that is to hand out the work instead.

    Yields
    ------
    int, Done
        Number of the task, as they are finished.

    Raises
    ------
    ClusterError
        The library is not installed, or nobody answers at the address.
    ValueError
        Fewer than one process.
    """
    if not COUNT.hold(jobs):
        raise ValueError(f"jobs {jobs} given, {COUNT.needed}")
    if cluster is not None:
        yield from _on_cluster(work, tasks, cluster)
    elif jobs == 1 or len(tasks) < 2:
        for number, task in enumerate(tasks):
            yield number, _tried(work, task)
    else:
        yield from _side_by_side(work, tasks, min(jobs, len(tasks)))


def _tried(work: Callable, task: tuple) -> Done:
    """The result, or the error that is to be told; a fault of starcal is one, too."""
    try:
        return Done(work(*task))
    except StarcalError as error:
        return Done(error=error)
    except (OSError, MemoryError) as error:
        return Done(error=StarcalError(str(error) or "not enough memory for this frame"))
    except Exception as error:
        if os.environ.get("STARCAL_DEBUG"):
            traceback.print_exc()
        return Done(error=StarcalError(f"internal fault: {type(error).__name__} {error}"))


# --- processes of this machine ----------------------------------------------------------------


def _side_by_side(work: Callable, tasks: Sequence[tuple], jobs: int):
    """A thread waits for each process, which does one piece of work after the other."""
    free: SimpleQueue[_Worker] = SimpleQueue()
    for _ in range(jobs):
        free.put(_Worker(work))
    with _threads_shared_out(jobs), ThreadPoolExecutor(jobs) as pool:
        waiting = {
            pool.submit(_by_a_free_one, free, task): number for number, task in enumerate(tasks)
        }
        for each in as_completed(waiting):
            yield waiting[each], each.result()
        for _ in range(jobs):
            free.get().end()


@contextmanager
def _threads_shared_out(jobs: int) -> Iterator[None]:
    """The libraries of each process take their share of the cores, as the environment tells."""
    share = str(max(1, cores() // jobs))
    before = {name: os.environ.get(name) for name in THREAD_LIMITS}
    os.environ.update({name: share for name in THREAD_LIMITS if before[name] is None})
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)


def _by_a_free_one(free: SimpleQueue, task: tuple) -> Done:
    worker = free.get()
    try:
        return worker.do(task)
    finally:
        free.put(worker)


class _Worker:
    """A process that does pieces of work, started when there is one; one that dies is replaced."""

    def __init__(self, work: Callable):
        self.work = work
        self.process = None

    def do(self, task: tuple) -> Done:
        """What came of a piece of work."""
        if self.process is None:
            self._start()
        try:
            self.ours.send(task)
            return self.ours.recv()
        except (EOFError, OSError):
            self.process.join()
            status = self.process.exitcode
            self.process = None
            return Done(error=StarcalError(f"its process died (exit status {status})"))

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.ours, theirs = context.Pipe()
        self.process = context.Process(target=_do_each, args=(theirs, self.work), daemon=True)
        self.process.start()
        theirs.close()

    def end(self) -> None:
        """No more work comes."""
        if self.process is not None:
            self.ours.close()
            self.process.join()


def _do_each(theirs, work: Callable) -> None:
    """Do what is sent until nothing more can be."""
    while True:
        try:
            theirs.send(_tried(work, theirs.recv()))
        except (EOFError, OSError):  # whoever sends has ended
            return


# --- a cluster --------------------------------------------------------------------------------


def _on_cluster(work: Callable, tasks: Sequence[tuple], address: str):
    try:
        from dask.distributed import Client
        from dask.distributed import as_completed as as_finished
    except ImportError as error:
        raise ClusterError(
            "--cluster needs Dask. Type: python -m pip install distributed"
        ) from error
    try:
        client = Client(address, timeout=CLUSTER_ANSWERS_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"no Dask scheduler answers at {address}: give its address, as tcp://HOST:8786"
        ) from error
    with client:
        futures = [
            client.submit(_tried, work, task, pure=False, retries=TRIES_ON_A_CLUSTER)
            for task in tasks
        ]
        numbers = {future.key: number for number, future in enumerate(futures)}
        for future in as_finished(futures):
            yield numbers[future.key], _sent_back(future)


def _sent_back(future) -> Done:
    """What a worker sent; the error of one that died again and again."""
    if future.status == "finished":
        return future.result()
    error = " ".join(str(future.exception()).split())
    return Done(error=ClusterError(f"no worker of the cluster could do it: {error}"))
