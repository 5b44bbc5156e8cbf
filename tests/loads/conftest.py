"""A workspace with its register begun, copied for each test."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.lots.seeds import import_seeds
from bulkflow.records import Actor, Store, settings_for
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.reader import read_workspace

WORKSPACE = Path(__file__).resolve().parent / "workspace"
DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"


@pytest.fixture(scope="session")
def begun(tmp_path_factory) -> Path:
    """The workspace's folder with a register begun from its seed tables."""
    folder = tmp_path_factory.mktemp("begun") / "workspace"
    shutil.copytree(WORKSPACE, folder)
    actor = Actor("Ann", "ann")
    with (
        open_register(settings_for(folder), LOADS, actor=actor) as store,
        store.write(actor) as session,
    ):
        import_seeds(session, folder, today=date(2027, 1, 4))
    return folder


@pytest.fixture
def folder(begun: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(begun, tmp_path / "workspace"))


@pytest.fixture(scope="session")
def scenario() -> Scenario:
    return read_workspace(WORKSPACE).scenario


@pytest.fixture
def store(folder: Path) -> Iterator[Store]:
    with open_register(settings_for(folder), LOADS) as opened:
        yield opened


@pytest.fixture
def ann() -> Actor:
    return Actor("Ann", "ann")
