from __future__ import annotations

from collections.abc import Iterator

import pytest

from bulkflow.lots.register import open_register
from bulkflow.records import Actor, Store, settings_for
from tests.records.pieces import ticking


@pytest.fixture
def register(database_url: str) -> Iterator[Store]:
    """An empty register, on either engine."""
    with open_register(settings_for(".", database_url), clock=ticking()) as opened:
        yield opened


@pytest.fixture
def lite(tmp_path) -> Iterator[Store]:
    """An empty register on SQLite, where the engine does not matter."""
    settings = settings_for(".", str(tmp_path / "lite.sqlite"))
    with open_register(settings, clock=ticking()) as opened:
        yield opened


@pytest.fixture
def ann() -> Actor:
    return Actor("Ann", "ann")
