"""What the account keeps beside the records is compared with them by ``records verify``."""

from __future__ import annotations

import pytest
from sqlalchemy import text

from bulkflow.records import verify

from .making import a_load_under_way, a_lot, received


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE posting SET lpa = lpa + 1 WHERE seq = 3 AND number = 0",
        "DELETE FROM posting WHERE seq = 3 AND number = 0",
        "UPDATE posting SET on_day = '2027-01-30' WHERE seq = 3 AND number = 1",
    ],
)
def test_edited_postings_are_found(store, ann, sql):
    with store.write(ann) as session:
        a_load_under_way(session, "W-1", "10000")
        a_lot(session, "L-1")
        received(session, "W-1", "9990")
    with store.read() as session:
        found = verify(session, store.kinds, store.checks)
        assert found.broken is None
    with store.engine.connect() as connection, connection.begin():
        for (name,) in connection.execute(
            text("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        ).all():
            connection.execute(text(f"DROP TRIGGER {name}"))
        assert connection.execute(text(sql)).rowcount == 1
    with store.read() as session:
        assert verify(session, store.kinds).broken is None
        broken = verify(session, store.kinds, store.checks).broken
    assert broken is not None
    assert "postings in the account were changed" in broken.what
    assert broken.seq == 3
