"""Registers with loads and account, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bulkflow.account.tables import ACCOUNT
from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, Store, settings_for
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.reader import read_workspace

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"


class Ticking:
    """A clock that goes on a second each time it is read."""

    def __init__(self) -> None:
        self.now = datetime(2027, 1, 4, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def ann() -> Actor:
    return Actor("Ann", "ann")


@pytest.fixture(scope="session")
def scenario() -> Scenario:
    return read_workspace(DEMO).scenario


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    settings = settings_for(tmp_path, f"sqlite:///{tmp_path / 'records.sqlite'}")
    with open_register(settings, LOADS, ACCOUNT, clock=Ticking()) as opened:
        yield opened


@pytest.fixture
def both(database_url: str, tmp_path: Path) -> Iterator[Store]:
    """A register on SQLite and on PostgreSQL."""
    settings = settings_for(tmp_path, database_url)
    with open_register(settings, LOADS, ACCOUNT, clock=Ticking()) as opened:
        yield opened
