"""Kill a writing process at random points, many times: ``killing.py URL TRIALS SEED``.

Each trial forks a process that writes transactions of three records with their index rows, and
tells through a pipe each commit that it was told of. Half of the processes kill themselves just
before a statement drawn at random (inserts, the lock, BEGIN, COMMIT are all statements), the
others are killed by a timer at a random moment, wherever they are. After each the database is
opened anew and must be whole: every link and index row right, no transaction in part, and
everything that was told as committed still there. Prints a summary as JSON.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys

from sqlalchemy import event

from bulkflow.records import Actor, append, append_many, head, open_store, settings_for, verify
from tests.records.pieces import NOTE, NOTES, Note

IN_ONE = 3


def main(url: str, trials: int, seed: int) -> None:
    rng = random.Random(seed)
    told_in_all = 0
    killed = {"statement": 0, "timer": 0}
    for trial in range(trials):
        way = "statement" if trial % 2 else "timer"
        told = _trial(url, way, rng)
        killed[way] += 1
        told_in_all += told is not None
        _check(url, told)
    with open_store(settings_for(".", url), (NOTES,)) as store, store.read() as session:
        last = head(session).seq
    print(json.dumps({"killed": killed, "told": told_in_all, "records": last}))


def _trial(url: str, way: str, rng: random.Random) -> int | None:
    """Return the last head the process told as committed, or None."""
    at_statement, after_seconds = rng.randrange(1, 60), rng.uniform(0.01, 0.25)
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reading)
            _write_until_killed(url, way, at_statement, after_seconds, writing)
        finally:
            os._exit(1)  # reached only if it was not killed: a fault of the test
    os.close(writing)
    data = b""
    while part := os.read(reading, 65536):
        data += part
    os.close(reading)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        raise SystemExit(f"the process ended by itself ({status})")
    lines = data.split(b"\n")[:-1]
    return int(lines[-1]) if lines else None


def _write_until_killed(
    url: str, way: str, at_statement: int, after_seconds: float, pipe: int
) -> None:
    count = 0

    def before(*_: object) -> None:
        nonlocal count
        count += 1
        if count == at_statement:
            os.kill(os.getpid(), signal.SIGKILL)

    if way == "timer":
        signal.signal(signal.SIGALRM, signal.SIG_DFL)  # ends the process, wherever it is
        signal.setitimer(signal.ITIMER_REAL, after_seconds)
    with open_store(settings_for(".", url), (NOTES,)) as store:
        if way == "statement":
            event.listen(store.engine, "before_cursor_execute", before)
            event.listen(store.engine, "commit", before)
        while True:
            with store.write(Actor("Ann", "ann")) as session:
                append(session, NOTE, Note(about="L", says="first", marks=("a", "b")))
                append_many(
                    session,
                    NOTE,
                    [(Note(about="L", says="then", lpa="1.250"), None)] * (IN_ONE - 1),
                )
                last = head(session).seq
            os.write(pipe, b"%d\n" % last)


def _check(url: str, told: int | None) -> None:
    with open_store(settings_for(".", url), (NOTES,)) as store, store.read() as session:
        found = verify(session, store.kinds)
    if found.broken is not None:
        raise SystemExit(f"broken: {found.broken}")
    if found.head.seq % IN_ONE:
        raise SystemExit(f"part of a transaction was kept: {found.head.seq} records")
    if told is not None and found.head.seq < told:
        raise SystemExit(f"{told} was told as committed, but {found.head.seq} is the head")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
