"""One piece of work on each of many photos: on this machine's cores or on a cluster.

Results come as they are ready, each photo's exactly once. A photo whose work fails, or that takes
its process down with it, is a `Refusal`; the others go on.
"""

from __future__ import annotations

import dataclasses
import importlib
import multiprocessing
import os
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from multiprocessing.connection import wait as wait_for_end
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2

from counting.errors import CountingError, Refusal
from counting.photos.image import is_heavy

__all__ = ["Job", "cores", "on_cluster", "on_cores"]

_AHEAD = 2
"""Jobs handed out per worker beyond the one it does, so that none waits."""
_ALONE_BELOW = 6
"""Up to this many photos, starting processes (about a second each) costs more than it saves."""
_MEMORY = 4 << 30
"""Bytes that a process may take beyond what it begins with; with all stages it takes 0.6 GB."""
_LONGEST_S = 300.0
"""Longest work on one photo; with all stages it takes about a second."""
_ANSWERS_WITHIN = "10s"
"""By when a scheduler answers, if there is one."""


@dataclass(frozen=True, slots=True)
class Job:
    """What a worker needs to know about one photo.

    Attributes
    ----------
    key : str
        Names the photo in results.
    path : Path
        The file.
    data : bytes or None
        The file's bytes where the worker cannot see the path.
    extra : object
        Whatever else the work takes; must pickle.
    """

    key: str
    path: Path
    data: bytes | None = None
    extra: Any = None


Work = Callable[[Job], Any]
Outcome = tuple[Job, Any]
"""A job and its result, or the `Refusal` that stands in its place."""


@dataclass(frozen=True, slots=True)
class _NotHere:
    """A worker's answer when it cannot see the photo's path."""


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # Windows and macOS have no such call
        return os.cpu_count() or 1


def on_cores(work: Work, jobs: Sequence[Job], workers: int | None = None) -> Iterator[Outcome]:
    """Do the work on this machine, in one process per core; heavy photos never in this one.

    Each process loads the network once, decodes with one thread and ends when its parent does,
    however that ends.

    Parameters
    ----------
    work : callable
        From a `Job` to a result; a function of a module, since processes import it.
    jobs : sequence of Job
        The photos.
    workers : int, optional
        Number of processes; by default one per core, and no extra process for a few photos.

    Yields
    ------
    (Job, result or Refusal)
        In the order in which they are ready.
    """
    wanted = workers or (1 if len(jobs) <= _ALONE_BELOW else cores())
    if wanted <= 1 or len(jobs) <= 1:
        heavy = {job.key for job in jobs if job.data is None and is_heavy(job.path)}
        threads = cv2.getNumThreads()
        cv2.setNumThreads(1)
        try:
            for job in jobs:
                if job.key not in heavy:
                    yield job, _guarded(work, job)
        finally:
            cv2.setNumThreads(threads)
        yield from _in_processes(work, [job for job in jobs if job.key in heavy], 1)
        return
    yield from _in_processes(work, jobs, min(wanted, len(jobs)))


def _in_processes(work: Work, jobs: Sequence[Job], workers: int) -> Iterator[Outcome]:
    """Hand jobs to a pool; when a process dies, start a new pool and find the job to blame."""
    left = list(jobs)
    while left:
        done: set[str] = set()
        under_way: list[Job] = []
        try:
            for outcome in _pooled(work, left, workers, under_way):
                done.add(outcome[0].key)
                yield outcome
            return
        except BrokenProcessPool:
            suspects = [job for job in under_way if job.key not in done]
        for job, result in _one_by_one(work, suspects):
            done.add(job.key)
            yield job, result
        left = [job for job in left if job.key not in done]


def _pooled(
    work: Work, jobs: Sequence[Job], workers: int, under_way: list[Job]
) -> Iterator[Outcome]:
    """Run jobs in one pool, a few ahead; `under_way` always names those handed out."""
    pool = _pool(workers)
    waiting = iter(jobs)
    handed: dict[Future[Any], Job] = {}
    try:
        while True:
            for job in islice(waiting, workers * (1 + _AHEAD) - len(handed)):
                under_way.append(job)
                with _unseen_main():
                    handed[pool.submit(_held, work, job)] = job
            if not handed:
                return
            for future in wait(handed, return_when=FIRST_COMPLETED).done:
                job = handed[future]
                result = future.result()
                del handed[future]
                under_way.remove(job)
                yield job, result
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _one_by_one(work: Work, jobs: Sequence[Job]) -> Iterator[Outcome]:
    """Run jobs whose pool died in a pool where only one is under way, so that it is to blame."""
    waiting = list(jobs)
    while waiting:
        with _pool(1) as pool:
            while waiting:
                job = waiting.pop(0)
                try:
                    with _unseen_main():
                        future = pool.submit(_held, work, job)
                    result = future.result()
                except BrokenProcessPool:
                    yield job, _fatal(job)
                    break
                yield job, result


def _fatal(job: Job) -> Refusal:
    reason = (
        "the process working on it died twice (too little memory, or too long at work?); "
        "save the photo smaller"
    )
    return Refusal(str(job.path), reason)


def _pool(workers: int) -> ProcessPoolExecutor:
    # spawned, not forked: a fork copies the locks of the parent's threads in whatever state
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_prepare)


@contextmanager
def _unseen_main() -> Iterator[None]:
    """Start processes that do not run the caller's script again: the work is in modules.

    A spawned process imports the main module first; a script without the usual guard would then
    start over in every worker.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


def _prepare() -> None:
    """Set a worker process up."""
    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what an interrupt means
    _bound_memory()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _bound_memory() -> None:
    """Let no photo take the machine's memory, where the system can hold a process to that."""
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        most = pages * resource.getpagesize() + _MEMORY
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        if hard == resource.RLIM_INFINITY or most < hard:
            resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    except (ImportError, OSError, ValueError):
        return


def _held(work: Work, job: Job) -> Any:
    """Do the work in a process of a pool, which ends itself when one photo takes far too long."""
    if not hasattr(signal, "setitimer"):  # Windows
        return _guarded(work, job)
    signal.setitimer(signal.ITIMER_REAL, _LONGEST_S)
    try:
        return _guarded(work, job)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)


def _end_with(sentinel: int) -> None:
    """Leave when the parent is gone, so that a killed command leaves no process behind."""
    wait_for_end([sentinel])
    os._exit(1)


def _guarded(work: Work, job: Job) -> Any:
    """Do the work; whatever goes wrong with one photo becomes its refusal."""
    try:
        return work(job)
    except CountingError as error:
        return Refusal(str(job.path), str(error).removeprefix(f"{job.path}: "))
    except MemoryError:
        return Refusal(str(job.path), "takes far more memory than a photo; save it smaller")
    except Exception as error:
        said = " ".join(str(error).split())[:200]
        return Refusal(str(job.path), f"could not be worked on ({type(error).__name__}: {said})")


def on_cluster(work: Work, jobs: Sequence[Job], address: str) -> Iterator[Outcome]:
    """Do the work on the workers of a `dask.distributed` scheduler.

    A worker reads a photo by its path where it can see it, else it gets the bytes. A worker that
    dies is replaced by another one: its jobs are handed out again.

    Parameters
    ----------
    work, jobs
        As for `on_cores`.
    address : str
        The scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    CountingError
        If the extra `cluster` is not installed or no scheduler answers.
    """
    with _client(address) as client:
        waiting = iter(jobs)
        handed: dict[str, Job] = {}

        def hand_out(job: Job) -> Any:
            future = client.submit(_remote, work, job, pure=False, retries=2)
            handed[future.key] = job
            return future

        slots = sum(client.nthreads().values())
        first = [hand_out(job) for job in islice(waiting, slots * (1 + _AHEAD))]
        queue = _distributed().as_completed(first, loop=client.loop)
        for future in queue:
            job = handed.pop(future.key)
            result = _fatal(job) if future.status == "error" else future.result()
            if isinstance(result, _NotHere) and job.path.is_file():
                queue.add(hand_out(dataclasses.replace(job, data=job.path.read_bytes())))
                continue
            for following in islice(waiting, 1):
                queue.add(hand_out(following))
            yield job, _guarded(work, job) if isinstance(result, _NotHere) else result


def _distributed() -> Any:
    try:
        return importlib.import_module("distributed")
    except ImportError as error:
        where, mend = "--cluster", "pip install 'counting[cluster]'"
        raise CountingError(where, "dask.distributed is not installed", mend=mend) from error


def _client(address: str) -> Any:
    """Connect to a scheduler that has workers."""
    mend = "start it with `dask scheduler`, and workers with `dask worker ADDRESS --nthreads 1`"
    client = None
    try:
        client = _distributed().Client(address, timeout=_ANSWERS_WITHIN, set_as_default=False)
        client.wait_for_workers(1, timeout=30)
    except (OSError, ValueError) as error:  # a timeout is an OSError
        if client is not None:
            client.close()
        found = "no scheduler answers" if client is None else "the scheduler has no worker"
        raise CountingError(address, found, "a dask scheduler with workers", mend) from error
    return client


def _remote(work: Work, job: Job) -> Any:
    """Do a job on a worker of a cluster."""
    cv2.setNumThreads(1)
    if job.data is None:
        return _guarded(work, job) if job.path.is_file() else _NotHere()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / job.path.name
        path.write_bytes(job.data)
        result = _guarded(work, dataclasses.replace(job, path=path, data=None))
    return Refusal(str(job.path), result.reason) if isinstance(result, Refusal) else result
