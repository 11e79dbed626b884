"""The batch on a cluster of two workers, one of which is killed: the same results as on this machine alone."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from distributed import Client, LocalCluster

from tests.command.runs import ROOT, environment, run
from tests.endurance.small_photos import write_small_photos

PHOTOS = 60


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_photos(tmp_path_factory.mktemp("photos"), PHOTOS)


@pytest.fixture(scope="module")
def expected(photos: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """What this machine alone gives."""
    results = tmp_path_factory.mktemp("expected") / "r.json"
    command = [sys.executable, "-m", "cardmeasure", "measure", str(photos), "--results", str(results), "--quiet"]
    assert subprocess.run(command, env=environment(), check=False).returncode == 0
    return results.read_bytes()


@pytest.fixture
def cluster() -> Iterator[LocalCluster]:
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = str(ROOT)
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster
    if before is None:
        del os.environ["PYTHONPATH"]
    else:
        os.environ["PYTHONPATH"] = before


def start(cluster: LocalCluster, photos: Path, results: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "cardmeasure", "measure", str(photos), "--results", str(results), "--quiet"]
    return subprocess.Popen([*command, "--scheduler", cluster.scheduler_address], env=environment())


def test_a_worker_is_killed_and_all_photos_are_measured(
    cluster: LocalCluster, photos: Path, expected: bytes, tmp_path: Path
) -> None:
    results, log = tmp_path / "r.json", tmp_path / "r.json.journal-wal"
    with Client(cluster) as client:
        pids = list(client.run(os.getpid).values())
        running = start(cluster, photos, results)
        # not before some results have been committed, so that the worker is at work
        while running.poll() is None and (not log.exists() or log.stat().st_size < 200_000):
            time.sleep(0.05)
        assert running.poll() is None, "the run was done before a worker could be killed; take more photos"
        os.kill(pids[0], signal.SIGKILL)
        assert running.wait(timeout=300) == 0
        assert pids[0] not in client.run(os.getpid).values()
    assert results.read_bytes() == expected


def test_photos_that_the_workers_do_not_see_are_sent(
    cluster: LocalCluster, photos: Path, expected: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cardmeasure import Settings
    from cardmeasure.batch import cluster as cluster_module
    from cardmeasure.batch import find_photos
    from cardmeasure.batch import run as run_photos

    found = find_photos([photos / "events"])[:6]
    here = [done.shot for done in run_photos(found, settings=Settings())]
    monkeypatch.setattr(cluster_module, "_is_shared", lambda client, jobs: False)
    engine = cluster_module.cluster_engine(cluster.scheduler_address)
    there = sorted(run_photos(found, settings=Settings(), engine=engine), key=lambda done: done.index)
    assert [done.shot for done in there] == here


def test_a_scheduler_that_does_not_answer_or_has_no_workers_is_told(photos: Path) -> None:
    answer = run("measure", photos, "--scheduler", "tcp://127.0.0.1:9")
    assert answer.returncode == 2
    (line,) = answer.stderr.splitlines()
    assert line.startswith("cardmeasure: --scheduler is tcp://127.0.0.1:9, and no Dask scheduler answers there")
    with LocalCluster(n_workers=0, dashboard_address=None) as empty:
        answer = run("measure", photos, "--scheduler", empty.scheduler_address)
    assert answer.returncode == 2
    assert "which has no workers; start some with dask worker." in answer.stderr
