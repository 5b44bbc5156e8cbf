"""Databases to test on, and how hard the property tests look.

Property tests run under the profile ``fast`` (few examples, the same each time). The full tier
runs them again with more, also the same each time: ``pytest -m hypothesis
--hypothesis-profile=full``. ``--hypothesis-profile=hunt`` looks elsewhere at every run, by hand.

The record database is tested on SQLite and on PostgreSQL. The latter needs a server of which
BULKFLOW_TEST_POSTGRES_URL is the address (``.ci/postgres start DIR`` starts one); without it
its tests are skipped, except where CI is set: there its absence is a failure.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

POSTGRES_VARIABLE = "BULKFLOW_TEST_POSTGRES_URL"

settings.register_profile(
    "fast",
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "full",
    max_examples=100,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "hunt",
    max_examples=1_000,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("fast")


@pytest.fixture(scope="session")
def postgres_url() -> str:
    """The address of a real PostgreSQL server."""
    url = os.environ.get(POSTGRES_VARIABLE)
    if url:
        return url
    message = f"no PostgreSQL server: set {POSTGRES_VARIABLE}, or start one with .ci/postgres"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture
def postgres_schema_url(postgres_url: str) -> Iterator[str]:
    """The address of a fresh, empty schema on the server, dropped afterwards."""
    import psycopg
    from psycopg import sql
    from sqlalchemy.engine import make_url

    name = f"test_{secrets.token_hex(6)}"
    with psycopg.connect(postgres_url, autocommit=True) as connection:
        connection.execute(sql.SQL("CREATE SCHEMA {}").format(sql.Identifier(name)))
    url = make_url(postgres_url).update_query_dict({"options": f"-csearch_path={name}"})
    yield url.render_as_string(hide_password=False)
    with psycopg.connect(postgres_url, autocommit=True) as connection:
        connection.execute(sql.SQL("DROP SCHEMA {} CASCADE").format(sql.Identifier(name)))


@pytest.fixture(
    params=[
        "sqlite",
        # A server takes its time for each schema: with the full tier.
        pytest.param("postgresql", marks=(pytest.mark.postgres, pytest.mark.full)),
    ]
)
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database: each test runs on both."""
    if request.param == "postgresql":
        return str(request.getfixturevalue("postgres_schema_url"))
    return f"sqlite:///{tmp_path / 'records.sqlite'}"
