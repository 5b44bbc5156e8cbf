"""Several writers at once, and writers killed at random points, on both databases."""

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from bulkflow.records import open_store, records_in, settings_for, verify

from .pieces import NOTES

ROOT = Path(__file__).resolve().parents[2]


def run(module, *arguments, timeout=900):
    return subprocess.run(
        [sys.executable, "-m", f"tests.records.{module}", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )


def many_writers(url, writers, count):
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.records.writer", url, f"W{number}", str(count)],
            cwd=ROOT,
            stderr=subprocess.PIPE,
            text=True,
        )
        for number in range(writers)
    ]
    for process in running:
        _, errors = process.communicate(timeout=300)
        assert process.returncode == 0, errors
    with open_store(settings_for(".", url), (NOTES,)) as store, store.read() as session:
        found = verify(session, store.kinds)
        records = list(records_in(session))
    assert found.broken is None
    assert found.records == writers * count * 3
    assert Counter(record.actor for record in records) == {
        f"W{number}": count * 3 for number in range(writers)
    }
    # The three records of one transaction lie together: no one came between.
    for start in range(0, len(records), 3):
        assert (
            len({(r.actor, r.content["says"].split()[0]) for r in records[start : start + 3]}) == 1
        )
    return records


@pytest.mark.full
def test_writers_at_once_keep_one_chain(database_url):
    # All lay the tables out at the same time, too: the database is empty when they start.
    many_writers(database_url, writers=3, count=4)


@pytest.mark.full
def test_many_writers_at_once_keep_one_chain(database_url):
    records = many_writers(database_url, writers=6, count=25)
    turns = sum(
        one.actor != other.actor for one, other in zip(records[::3], records[3::3], strict=False)
    )
    assert turns > 6  # they did take turns, rather than one after the other


def killed(url, trials, seed):
    done = run("killing", url, str(trials), str(seed))
    assert done.returncode == 0, done.stdout + done.stderr
    summary = json.loads(done.stdout)
    assert sum(summary["killed"].values()) == trials
    assert summary["records"] > 0
    return summary


@pytest.mark.full
def test_a_killed_writer_leaves_the_chain_whole(database_url):
    killed(database_url, trials=6, seed=4)


@pytest.mark.full
@pytest.mark.parametrize("seed", [1, 2])
def test_a_hundred_killed_writers_leave_the_chain_whole(database_url, seed):
    summary = killed(database_url, trials=100, seed=seed)
    assert summary["told"] >= 20  # commits were reached, so there was something to lose
