"""A workspace with two held sittings, and the command line run in this process."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from bulkflow.cli.shell import run
from bulkflow.lots.register import open_register
from bulkflow.records import settings_for
from panels.cli import build_app
from panels.records import PANELS

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna"
TODAY = datetime(2027, 12, 31, 12, tzinfo=UTC)
FIRST, SECOND = "VK-2026-12-15", "VK-2026-12-17"


@dataclass
class Ran:
    """What a command did."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


Panels = Callable[..., Ran]


@pytest.fixture
def panels(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Panels:
    """Run a command line of ``panels`` and return what it did."""
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    # the story of the demo and of these tests goes on in days to come
    monkeypatch.setattr("bulkflow.records.times.system_clock", lambda: TODAY)

    def command(*words: object) -> Ran:
        capsys.readouterr()
        code = run(build_app(), [str(word) for word in words], name="panels")
        out, err = capsys.readouterr()
        return Ran(int(code), out, err)

    return command


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """The demo with an empty register."""
    folder = tmp_path / "vejkalna"
    shutil.copytree(SCENARIO, folder, ignore=shutil.ignore_patterns("*.sqlite*", "out"))
    return folder


@pytest.fixture(scope="session")
def decided_register(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register into which the demo's sittings were taken in, to be copied."""
    folder = tmp_path_factory.mktemp("decided") / "vejkalna"
    shutil.copytree(SCENARIO, folder, ignore=shutil.ignore_patterns("*.sqlite*", "out"))
    assert run(build_app(), ["sitting", "import", str(folder)], name="panels") == 0
    return folder


@pytest.fixture
def decided(tmp_path: Path, decided_register: Path) -> Path:
    """The demo with both sittings decided."""
    folder = tmp_path / "vejkalna"
    shutil.copytree(decided_register, folder)
    return folder


@pytest.fixture(scope="session")
def planned_register(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo with the first sitting planned and nothing scored, to be copied or left alone."""
    folder = tmp_path_factory.mktemp("planned") / "vejkalna"
    shutil.copytree(SCENARIO, folder, ignore=shutil.ignore_patterns("*.sqlite*", "out", "keys"))
    panel = folder / "panel"
    for path in (panel / "sittings").glob("2026-12-17*"):
        path.unlink()
    definition = panel / "sittings" / "2026-12-15.yaml"
    for words in (
        ["standard", "record", folder, panel / "standards.yaml"],
        ["rule", "declare", folder],
        ["sitting", "plan", folder, definition, "--seed", 20261215],
    ):
        assert run(build_app(), [str(word) for word in words], name="panels") == 0, words
    return folder


@pytest.fixture
def planned(tmp_path: Path, planned_register: Path) -> Path:
    """The demo with the first sitting planned and nothing scored."""
    folder = tmp_path / "vejkalna"
    shutil.copytree(planned_register, folder)
    return folder


@contextmanager
def register(folder: Path) -> Iterator[Session]:
    """A reading session on a workspace's register."""
    settings = settings_for(folder, environ={})
    with open_register(settings, PANELS, create=False) as store, store.read() as session:
        yield session


def record_count(folder: Path) -> int:
    """How many records the register holds: nothing half-written leaves one behind."""
    from bulkflow.records import head

    with register(folder) as session:
        return head(session).seq
