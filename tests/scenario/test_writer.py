"""What is written reads back as the same."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from bulkflow.errors import InputError
from bulkflow.reading.yamlfile import parse_yaml
from bulkflow.scenario import dump_workspace, read_workspace
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.writer import yaml_text
from tests.scenario.broken import COAST
from tests.scenario.strategies import NOTES, PRINTABLE, scenarios
from tests.scenario.test_reader import READY_MADE


def written_and_read(scenario: Scenario) -> Scenario:
    with tempfile.TemporaryDirectory() as folder:
        dump_workspace(scenario, Path(folder) / "copy")
        return read_workspace(Path(folder) / "copy").scenario


@pytest.mark.parametrize("folder", [COAST, *READY_MADE], ids=lambda path: path.name)
def test_workspace_comes_back(folder: Path) -> None:
    scenario = read_workspace(folder).scenario
    assert written_and_read(scenario) == scenario


@pytest.mark.full
@given(scenarios())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_scenario_comes_back(scenario: Scenario) -> None:
    assert written_and_read(scenario) == scenario


@pytest.mark.full
@given(scenarios())
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_many_scenarios_come_back(scenario: Scenario) -> None:
    assert written_and_read(scenario) == scenario


@given(st.text(PRINTABLE, max_size=80) | NOTES)
@example("1e5")
@example("0123")
@example("\u2028")
@example(" a\n b\n")
@settings(max_examples=300, deadline=None)
def test_any_text_comes_back_from_yaml(text: str) -> None:
    assert parse_yaml(yaml_text({"key": [text]}), "x").value == {"key": [text]}


@given(st.one_of(st.floats(allow_nan=False), st.integers(-(10**30), 10**30), st.booleans()))
@settings(max_examples=200, deadline=None)
def test_any_number_comes_back_from_yaml(number: float) -> None:
    value = parse_yaml(yaml_text({"key": number}), "x").value
    assert value == {"key": number}


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    scenario = read_workspace(COAST).scenario
    (tmp_path / "demand.csv").write_text("mine", "utf-8")
    with pytest.raises(InputError) as caught:
        dump_workspace(scenario, tmp_path)
    assert str(caught.value) == (
        f"{tmp_path / 'demand.csv'}: exists. Choose an empty folder; nothing is overwritten."
    )
    assert [path.name for path in tmp_path.iterdir()] == ["demand.csv"]
    assert (tmp_path / "demand.csv").read_text("utf-8") == "mine"


def test_defaults_and_empty_tables_are_left_out(tmp_path: Path) -> None:
    scenario = read_workspace(COAST).scenario.model_copy(update={"prices": ()})
    dump_workspace(scenario, tmp_path)
    assert not (tmp_path / "prices.csv").exists()
    text = (tmp_path / "scenario.yaml").read_text("utf-8")
    assert "return_days: 7\n" in text
    assert "return_days: 0" not in text
    assert "\n  start: 2027-01-04\n" in text
    assert (tmp_path / "demand.csv").read_text("utf-8").split("\n")[1] == (
        "QUAY,2027-01-04,DRY,5200,,,,core"
    )
