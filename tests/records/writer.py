"""One of several processes that append at the same time: ``writer.py URL NAME COUNT``."""

from __future__ import annotations

import sys
import time

from bulkflow.records import Actor, append, append_many, open_store, settings_for
from tests.records.pieces import NOTE, NOTES, Note

PAUSE_SECONDS = 0.05


def main(url: str, name: str, count: int) -> None:
    with open_store(settings_for(".", url), (NOTES,)) as store:
        for number in range(count):
            with store.write(Actor(name, name)) as session:
                append(session, NOTE, Note(about=name, says=f"{number} first"))
                append_many(
                    session,
                    NOTE,
                    [(Note(about=name, says=f"{number} then", marks=("a",)), None)] * 2,
                )
            # Between two transactions the others get their turn: writers come between each other
            # instead of one burst after another, which is what is to be tested.
            time.sleep(PAUSE_SECONDS)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
