"""Candidates from a real scheduler and two worker processes on loopback."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest
from test_propose import FAST, bodies, entries, photographed, plain
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CountingError, Refusal
from counting.finding.propose import propose
from counting.photos.workers import Job, on_cluster

distributed = pytest.importorskip("distributed", reason="needs the extra: counting[cluster]")

pytestmark = [
    pytest.mark.slow,
    # the cluster library warns about ports and slow event loops, which is no fault of ours
    pytest.mark.filterwarnings("ignore"),
]


@pytest.fixture(scope="module")
def cluster():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as running:
        yield running


def test_a_cluster_gives_the_candidates_that_one_machine_gives(cluster, tmp_path):
    here, there = photographed(tmp_path / "here", 6), photographed(tmp_path / "there", 6)
    propose(here, FAST, workers=1)
    done = propose(there, FAST, cluster=cluster.scheduler_address)
    assert (done.new, done.refused) == (6, ())
    assert {photo: plain(body) for photo, body in bodies(here).items()} == {
        photo: plain(body) for photo, body in bodies(there).items()
    }


def sends_back_its_size(job):
    """Work that says how it saw the file."""
    return len(job.path.read_bytes()), job.path.name


def test_a_photo_is_read_by_its_path_where_the_worker_sees_it(cluster, tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"12345")
    jobs = [Job("a", tmp_path / "a.jpg"), Job("gone", tmp_path / "gone.jpg")]
    outcomes = {
        job.key: result
        for job, result in on_cluster(sends_back_its_size, jobs, cluster.scheduler_address)
    }
    assert outcomes["a"] == (5, "a.jpg")
    assert isinstance(outcomes["gone"], Refusal)


def test_a_photo_travels_as_bytes_where_the_worker_does_not_see_its_path(
    cluster, tmp_path, monkeypatch
):
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"1234567")
    monkeypatch.chdir(tmp_path)
    # the workers run in another folder, so that a relative path means nothing to them
    jobs = [Job("a", Path("a.jpg"))]
    ((_, result),) = on_cluster(sends_back_its_size, jobs, cluster.scheduler_address)
    assert result == (7, "a.jpg")


def kills_its_worker_once(job):
    """Work that takes the worker down the first time, and succeeds the second."""
    if job.extra and not Path(job.extra).exists():
        Path(job.extra).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return job.key


def test_a_worker_that_dies_loses_nothing_and_nothing_comes_twice(cluster, tmp_path):
    (tmp_path / "a.jpg").touch()
    jobs = [
        Job(str(number), tmp_path / "a.jpg", extra=str(tmp_path / "dead") if number == 7 else None)
        for number in range(30)
    ]
    came = [
        result for _, result in on_cluster(kills_its_worker_once, jobs, cluster.scheduler_address)
    ]
    assert (tmp_path / "dead").exists()
    assert sorted(came, key=int) == [str(number) for number in range(30)]


def test_a_worker_killed_in_the_middle_of_a_trial_leaves_every_photo_proposed_once(
    cluster, tmp_path
):
    trial = photographed(tmp_path, 24)
    pids = [worker.pid for worker in cluster.workers.values()]
    killed = []

    def kill(done, total):
        if done == 3:
            killed.append(pids[0])
            threading.Thread(target=os.kill, args=(pids[0], signal.SIGKILL)).start()

    done = propose(trial, FAST, cluster=cluster.scheduler_address, progress=kill)
    assert killed
    assert (done.new, done.refused) == (24, ())
    assert len(entries(trial)) == 24


def test_an_address_where_nothing_answers_is_refused_in_one_line(tmp_path, monkeypatch):
    monkeypatch.setattr("counting.photos.workers._ANSWERS_WITHIN", "1s")
    trial = photographed(tmp_path, 1)
    with pytest.raises(CountingError, match="no scheduler answers"):
        propose(trial, FAST, cluster="tcp://127.0.0.1:9")


def test_the_command_takes_the_address(cluster, tmp_path):
    photographed(tmp_path, 2)
    address = cluster.scheduler_address
    command = ["propose", str(tmp_path), "--stages", "colour", "--cluster", address]
    assert CliRunner().invoke(app, command).exit_code == 0
