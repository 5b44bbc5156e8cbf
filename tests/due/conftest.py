"""The loads' workspace with its register begun, account and all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bulkflow.account.tables import ACCOUNT
from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.records import Store, settings_for
from tests.loads.conftest import ann, begun, folder, scenario

__all__ = ["ann", "begun", "folder", "scenario"]


@pytest.fixture
def store(folder: Path) -> Iterator[Store]:
    with open_register(settings_for(folder), LOADS, ACCOUNT) as opened:
        yield opened
