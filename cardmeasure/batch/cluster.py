"""The same batch on a cluster: photos are measured by the workers of a Dask scheduler, results come back here.

Photos that all workers see under the same path are read there; others are sent. Dask gives the photos of a worker that
is lost to another one.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

from cardmeasure import __version__
from cardmeasure.batch.measuring import Measured, Task, measured
from cardmeasure.batch.running import Engine, Job
from cardmeasure.batch.workers import Crash
from cardmeasure.errors import UsageError

Client = Any
"""`distributed.Client`, whose package has no types and need not be installed."""
CONNECT_S = 15.0
IN_FLIGHT = 2
"""Photos given to each thread of the workers: one is measured, one waits, so that nobody waits for the network."""
_PROBES = 3


def cluster_engine(address: str) -> Engine:
    """An engine for `batch.run` that measures with the workers of the scheduler at `address`.

    Raises
    ------
    UsageError
        When jobs are given to it: where Dask is not installed, nobody answers, or the workers cannot do the work.
    """

    def engine(jobs: Iterable[Job]) -> Iterator[tuple[Job, Measured | Crash]]:
        waiting = list(jobs)
        if not waiting:
            return
        with _connected(address) as client:
            yield from _measured_by(client, waiting)

    return engine


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    try:
        import distributed
    except ImportError as error:
        raise UsageError("--scheduler needs Dask; install it with: pip install 'cardmeasure[cluster]'.") from error
    try:
        client: Client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--scheduler is {address}, and no Dask scheduler answers there ({type(error).__name__}); start one with "
            "dask scheduler, and workers with dask worker."
        ) from error
    with client:
        _check_workers(client, address)
        yield client


def _check_workers(client: Client, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError as error:
        raise UsageError(f"--scheduler is {address}, which has no workers; start some with dask worker.") from error
    try:
        versions: dict[str, str] = client.run(_version)
    except Exception as error:  # whatever the workers' own loading raises comes through as it is
        raise UsageError(
            f"--scheduler is {address}, whose workers cannot load cardmeasure ({type(error).__name__}: {error}); "
            f"install version {__version__} there."
        ) from error
    for worker, version in versions.items():
        if version != __version__:
            raise UsageError(f"the worker {worker} has cardmeasure {version}; install version {__version__} there.")


def _measured_by(client: Client, jobs: list[Job]) -> Iterator[tuple[Job, Measured | Crash]]:
    """Jobs with their answers as they come; so many at a time that all workers are busy."""
    import distributed

    shared = _is_shared(client, jobs)
    queue = iter(jobs)
    job_of: dict[Any, Job] = {}
    threads = sum(client.nthreads().values())

    def given(count: int) -> list[Any]:
        """The next jobs, handed to the cluster."""
        futures = []
        for job in islice(queue, count):
            task = replace(job.task, path=job.task.path.absolute())
            data = None if shared else _content(task.path)
            futures.append(client.submit(measured_remotely, task, data, pure=False))
            job_of[futures[-1].key] = job
        return futures

    running: Any = distributed.as_completed(given(max(1, threads) * IN_FLIGHT), loop=client.loop)
    for future in running:
        job = job_of.pop(future.key)
        answer = _answer(future)
        for following in given(1):
            running.add(following)
        yield job, answer


def _answer(future: Any) -> Measured | Crash:
    error = future.exception()
    if error is None:
        result: Measured | Crash = future.result()
        return result
    if type(error).__name__ == "KilledWorker":
        return Crash(reason="several workers were lost over it")
    return Crash(reason=f"the cluster gave it up ({type(error).__name__}: {error})")


def measured_remotely(task: Task, data: bytes | None) -> Measured | Crash:
    """What a worker does: `measured`, from the bytes sent or the path; a mistake of ours is no answer but a `Crash`."""
    import cv2

    cv2.setNumThreads(1)
    try:
        if data is None:
            return measured(task)
        with tempfile.TemporaryDirectory(prefix="cardmeasure-") as folder:
            path = Path(folder) / "photo"
            path.write_bytes(data)
            return measured(replace(task, path=path))
    except Exception as error:
        return Crash(reason=f"a mistake in cardmeasure itself ({type(error).__name__}: {error})")


def _is_shared(client: Client, jobs: list[Job]) -> bool:
    """Whether every worker sees some of the photos under their paths with the same content."""
    absolute = [job.task.path.absolute() for job in jobs]
    probes = absolute[:: max(1, len(jobs) // _PROBES)][:_PROBES]
    here = [_digest(path) for path in probes]
    seen: dict[str, list[str | None]] = client.run(_digests, probes)
    return all(there == here for there in seen.values())


def _digests(paths: list[Path]) -> list[str | None]:
    return [_digest(path) for path in paths]


def _digest(path: Path) -> str | None:
    data = _content(path)
    return None if data is None else hashlib.sha256(data).hexdigest()


def _content(path: Path) -> bytes | None:
    """The bytes of a file; None where it cannot be read, which the worker will say in its own words."""
    try:
        return path.read_bytes() if path.is_file() else None
    except OSError:
        return None


def _version() -> str:
    import cardmeasure.pipeline  # noqa: F401 (that it can be loaded is part of the answer)

    return __version__
