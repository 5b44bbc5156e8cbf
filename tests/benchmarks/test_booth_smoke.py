"""The bench of the booth works, and a server killed on the way loses and doubles nothing."""

import pytest

from tests.benchmarks.booth import measured


@pytest.mark.full
def test_a_booth_killed_on_the_way_keeps_every_answer_once(database_url: str) -> None:
    found = measured(people=12, glasses=8, kills=1, apart=0.4, database=database_url)
    assert found["answers"] == 96 and found["kills"] == 1
    assert found["lost_or_doubled"] == []
