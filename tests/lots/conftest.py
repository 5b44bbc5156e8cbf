from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from bulkflow.lots.register import open_register
from bulkflow.records import Actor, Store, settings_for
from tests.records.pieces import ticking


@pytest.fixture
def register(database_url: str) -> Iterator[Store]:
    """An empty register, on either engine."""
    with open_register(settings_for(".", database_url), clock=ticking()) as opened:
        yield opened


@pytest.fixture(scope="session")
def laid_out(tmp_path_factory) -> Path:
    """The file of an empty register, its tables laid out once for all tests."""
    file = tmp_path_factory.mktemp("laid") / "lite.sqlite"
    open_register(settings_for(".", str(file)), clock=ticking()).close()
    return file


@pytest.fixture
def lite(laid_out: Path, tmp_path: Path) -> Iterator[Store]:
    """An empty register on SQLite, where the engine does not matter."""
    file = shutil.copy(laid_out, tmp_path / "lite.sqlite")
    settings = settings_for(".", str(file))
    with open_register(settings, clock=ticking()) as opened:
        yield opened


@pytest.fixture
def ann() -> Actor:
    return Actor("Ann", "ann")
