from __future__ import annotations

from collections.abc import Iterator

import pytest

from bulkflow.records import Actor, Store, open_store, settings_for

from .pieces import NOTES, ticking


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """An empty database with the test's own component, on either engine."""
    with open_store(settings_for(".", database_url), (NOTES,), clock=ticking()) as opened:
        yield opened


@pytest.fixture
def ann() -> Actor:
    return Actor("Ann", "ann")
