"""Where the work on many chargers is done: in this process, in several on this machine, or on a cluster of machines.

One job is one charger. Jobs go out as small values (paths and words, never readings), and what they make is written to
the book whole or not at all and says itself what it was made from; so a job that is done twice, because the worker that
had it was killed, leaves the same bytes as one that was done once.

The cluster's library is an extra, and is imported only when a cluster is asked for.
"""

from __future__ import annotations

import re
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from os import cpu_count
from typing import TYPE_CHECKING, Any, Generic, Literal, Protocol, TypeVar

from brickbook.analysis.store import code_digest
from brickbook.core.errors import AnalysisError, Fault

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["ClusterWorkers", "Executor", "InProcess", "LocalProcesses", "executor_for"]

J = TypeVar("J")
R = TypeVar("R")
_TRIES = 4  # how often a job is begun before its workers' deaths are laid at its door
_CONNECT_S = 20.0
_LOCAL = re.compile(r"local:([1-9]\d{0,3})")
_ADDRESS = re.compile(r"(?:[a-z]+://)?[^\s/:]+:\d+|(?:[a-z]+://)\[[0-9a-f:.]+\]:\d+")


class Executor(Protocol):
    """Does one function for many jobs."""

    @property
    def workers(self) -> int:
        """How many jobs are worked on at once."""
        ...

    @property
    def shares_locks(self) -> bool:
        """Whether a job runs on the caller's machine for certain, so that the lock of a killed worker ends with it."""
        ...

    def map(self, work: Callable[[J], R], jobs: Iterable[J]) -> Iterator[R]:
        """Results in the order of the jobs, each as soon as it and those before it are there.

        Parameters
        ----------
        work
            A function of a module, which gives the same for the same job however often it is done.
        jobs
            Taken a few ahead of the results, never all at once.

        Raises
        ------
        AnalysisError
            When workers died again and again over a job.
        Exception
            What `work` raised, in its job's turn.
        """
        ...


@dataclass(frozen=True, slots=True)
class InProcess:
    """One job after the other, in this process."""

    workers: int = 1
    shares_locks: bool = True

    def map(self, work: Callable[[J], R], jobs: Iterable[J]) -> Iterator[R]:
        """As in `Executor`."""
        return map(work, jobs)


@dataclass(frozen=True, slots=True)
class LocalProcesses:
    """Several processes on this machine; they are begun when the first job comes and ended after the last.

    Parameters
    ----------
    workers
        How many.
    start
        "spawn" begins them afresh: a copy of this process would wait for ever on threads that run in it. "fork" is
        quicker, where none do.
    """

    workers: int
    start: Literal["fork", "spawn"] = "spawn"
    shares_locks: bool = True

    def map(self, work: Callable[[J], R], jobs: Iterable[J]) -> Iterator[R]:
        """As in `Executor`; a worker that is killed costs a new set of workers and the jobs under way."""
        source = iter(jobs)
        waiting: deque[_Sent[J, R]] = deque()
        pool = self._pool()
        try:
            while True:
                while len(waiting) <= 2 * self.workers and (job := next(source, _NONE)) is not _NONE:
                    waiting.append(_Sent(job, _submit(pool, work, job)))
                if not waiting:
                    return
                first = waiting[0]
                try:
                    result = first.future.result()
                except BrokenProcessPool:
                    first.tries += 1
                    if first.tries >= _TRIES:
                        raise AnalysisError(_killed(first.job)) from None
                    pool.shutdown(cancel_futures=True)
                    pool = self._pool()
                    for sent in waiting:  # what was done already is kept
                        if not _has_result(sent.future):
                            sent.future = _submit(pool, work, sent.job)
                    continue
                waiting.popleft()
                yield result
        finally:
            pool.shutdown(cancel_futures=True)

    def _pool(self) -> ProcessPoolExecutor:
        context = get_context(self.start) if self.start != "fork" or _can_fork() else get_context()
        return ProcessPoolExecutor(self.workers, mp_context=context)


@dataclass(slots=True)
class _Sent(Generic[J, R]):
    job: J
    future: Future[R]
    tries: int = 0


_NONE: Any = object()


def _can_fork() -> bool:
    import multiprocessing  # noqa: PLC0415

    return "fork" in multiprocessing.get_all_start_methods()


def _submit(pool: ProcessPoolExecutor, work: Callable[[J], R], job: J) -> Future[R]:
    try:
        return pool.submit(work, job)
    except BrokenProcessPool as error:  # a worker died since the last look: met again when its turn comes
        broken: Future[R] = Future()
        broken.set_exception(error)
        return broken


def _has_result(future: Future[Any]) -> bool:
    return future.done() and not future.cancelled() and not isinstance(future.exception(), BrokenProcessPool)


class ClusterWorkers:
    """The workers of a Dask cluster; each must have this very Brickbook and see the book under the same path.

    Parameters
    ----------
    client
        Connected.
    """

    shares_locks = False

    def __init__(self, client: Client) -> None:
        self.client = client

    @property
    def workers(self) -> int:
        """Threads of all workers that are there now; at least one."""
        return max(1, sum(self.client.nthreads().values()))  # type: ignore[no-untyped-call]

    def map(self, work: Callable[[J], R], jobs: Iterable[J]) -> Iterator[R]:
        """As in `Executor`; a job whose worker is lost goes to another."""
        from distributed import CancelledError, KilledWorker  # noqa: PLC0415

        source = iter(jobs)
        waiting: deque[tuple[J, Any]] = deque()
        # names of this call alone: a cluster shares the result of a name among its callers, and files may have changed
        call = uuid.uuid4().hex
        checked = _Checked(work, code_digest())
        count = 0
        try:
            while True:
                while len(waiting) <= 2 * self.workers and (job := next(source, _NONE)) is not _NONE:
                    waiting.append((job, self.client.submit(checked, job, key=f"brickbook-{call}-{count}")))
                    count += 1
                if not waiting:
                    return
                job, future = waiting[0]
                try:
                    result: R = future.result()
                except KilledWorker:
                    raise AnalysisError(_killed(job)) from None
                except CancelledError:
                    problem = "the cluster has gone, or was closed, before the work was done."
                    raise AnalysisError(Fault("--cluster", "", problem, "Start it and run the same again.")) from None
                waiting.popleft()
                yield result
        finally:
            if waiting:
                self.client.cancel([future for _, future in waiting])  # type: ignore[no-untyped-call]


@dataclass(frozen=True, slots=True)
class _Checked(Generic[J, R]):
    """Work that is only done by the same Brickbook as the caller's: another would give other results."""

    work: Callable[[J], R]
    code: str

    def __call__(self, job: J) -> R:
        if code_digest() != self.code:
            problem = "a worker of the cluster has another Brickbook than this one."
            raise AnalysisError(Fault("--cluster", "", problem, "Install the same on all and start the workers anew."))
        return self.work(job)


@contextmanager
def executor_for(cluster: str = "", *, jobs: int = 2, start: Literal["fork", "spawn"] = "spawn") -> Iterator[Executor]:
    """The place to work at: a cluster where one is named, else all cores of this machine.

    Parameters
    ----------
    cluster
        "local:N" for N worker processes begun for this, an address like "tcp://host:8786", or nothing.
    jobs
        How many there are: no more processes than that.
    start
        How local processes begin, see `LocalProcesses`.

    Raises
    ------
    AnalysisError
        When the cluster's word is wrong, its library is not installed, or it does not answer.
    """
    if not cluster:
        workers = min(jobs, cpu_count() or 1)
        yield LocalProcesses(workers, start) if workers > 1 else InProcess()
        return
    with _client_of(cluster) as client:
        yield ClusterWorkers(client)


@contextmanager
def _client_of(cluster: str) -> Iterator[Client]:
    local = _LOCAL.fullmatch(cluster)
    if local is None and (cluster.startswith("local:") or not _ADDRESS.fullmatch(cluster)):
        problem = f'"{cluster}" names no cluster.'
        raise AnalysisError(Fault("--cluster", "", problem, "Write local:N, or an address like tcp://host:8786."))
    try:
        from distributed import Client, LocalCluster  # noqa: PLC0415
    except ImportError:
        remedy = "Install Brickbook with the extra: cluster."
        raise AnalysisError(Fault("--cluster", "", "needs a library that is not installed.", remedy)) from None
    if local is not None:
        begin: Any = LocalCluster  # untyped, as is the client's making
        web = "127.0.0.1:0"  # its pages cannot be left out: without an address they were on all interfaces, port 8787
        with (
            begin(n_workers=int(local[1]), threads_per_worker=1, dashboard_address=web, silence_logs=50) as workers,
            _connect(Client, workers) as client,
        ):
            yield client
        return
    try:
        client = _connect(Client, cluster)
    except (OSError, ValueError) as error:
        problem = f"does not answer within {_CONNECT_S:.0f} s: {error}"
        raise AnalysisError(Fault(f"--cluster {cluster}", "", problem, "Check the address and the network.")) from error
    with client:
        yield client


def _connect(kind: Any, place: object) -> Client:
    client: Client = kind(place, timeout=_CONNECT_S)
    return client


def _killed(job: object) -> Fault:
    name = getattr(job, "slug", "") or str(job)
    problem = f"the processes that worked on it were killed {_TRIES} times."
    return Fault(f"chargers/{name}", "", problem, "Look for what ends them: memory, most likely; use fewer workers.")
