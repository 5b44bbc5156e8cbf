"""The model says no in the user's words, and every table's columns fit it."""

import doctest
import importlib
import pkgutil
from datetime import date, datetime

import pytest
from pydantic import ValidationError

import bulkflow.scenario
from bulkflow.reading import shape
from bulkflow.reading.words import DAY_MEND
from bulkflow.scenario.draft import COLLECTIONS, ID_FIELDS
from bulkflow.scenario.model import Closure, Liquid, Priority, Record, Scenario, Supplier
from bulkflow.scenario.tables import TABLES

MODULES = [
    module.name
    for module in pkgutil.walk_packages(bulkflow.scenario.__path__, "bulkflow.scenario.")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings(name: str) -> None:
    module = importlib.import_module(name)
    assert doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE).failed == 0
    assert set(module.__all__) <= set(vars(module))


def schema_nodes(schema):
    """Walk every part of a validation schema."""
    if isinstance(schema, dict):
        if isinstance(schema.get("type"), str):
            yield schema
        for inner in schema.values():
            yield from schema_nodes(inner)
    elif isinstance(schema, list | tuple):
        for inner in schema:
            yield from schema_nodes(inner)


# What each part of a schema can find wrong. Strict numbers and texts fail by type, not by parsing.
FAULTS_OF = {
    "float": {
        "float_type",
        "finite_number",
        "greater_than",
        "greater_than_equal",
        "less_than_equal",
    },
    "int": {"int_type", "greater_than_equal", "less_than_equal"},
    "str": {
        "string_type",
        "string_too_short",
        "string_too_long",
        "string_pattern_mismatch",
        "string_unicode",
    },
    "bool": {"bool_type"},
    "literal": {"literal_error"},
    "enum": {"enum"},
    "tuple": {"tuple_type", "too_short"},
    "model": {"model_type"},
    "function-after": {"greater_than_equal"},
}
QUIET = {
    "model-fields",
    "model-field",
    "default",
    "nullable",
    "date",
    "no-info",
    "definitions",
    "definition-ref",
    "to-string",
    "function-before",  # of days: its faults carry their own words
}


def test_every_kind_of_fault_has_words() -> None:
    kinds = {node["type"] for node in schema_nodes(Scenario.__pydantic_core_schema__)}
    assert kinds <= set(FAULTS_OF) | QUIET
    possible = set().union(*(FAULTS_OF[kind] for kind in kinds - QUIET))
    assert possible <= set(shape._BY_KIND)


def first_fault(model: type[Record], **values: object) -> tuple[str, str]:
    with pytest.raises(ValidationError) as caught:
        model.model_validate(values)
    fault = next(shape.shape_faults(caught.value, model))
    return fault.found, fault.mend


@pytest.mark.parametrize(
    "value",
    [datetime(2027, 1, 4), 20270104, "20270104", "2027-1-4", 1.5, True, ["2027-01-04"]],  # noqa: DTZ001
)
def test_only_plain_days(value: object) -> None:
    found, mend = first_fault(Closure, first_day=value, last_day="2027-01-05")
    assert found.startswith("is ")
    assert mend == DAY_MEND


def test_days_are_read_from_json_as_from_python() -> None:
    closure = Closure(first_day=date(2027, 1, 4), last_day=date(2027, 1, 5))
    assert Closure.model_validate_json(closure.model_dump_json()) == closure


@pytest.mark.parametrize("value", ["=1", "+1", "-1", "@A1", "a\nb", "a\x07", " =1"])
def test_texts_no_spreadsheet_can_run(value: str) -> None:
    found, mend = first_fault(Liquid, id="A", kind="neutral", strength_percent=96, name=value)
    assert found == f"is the text {value!r}"
    assert (
        mend == "A text stands on one line, and does not start with = + - or @ (as a formula does)."
    )


def test_half_a_character() -> None:
    found, _ = first_fault(Liquid, id="A", kind="neutral", strength_percent=96, name="\ud800")
    assert found == "holds half a character"


@pytest.mark.parametrize("cost", [-0.01, float("nan"), float("inf"), "1", None, True, 1e12 + 1])
def test_amounts(cost: object) -> None:
    found, _ = first_fault(Priority, id="core", unmet="lost", cost_per_lpa=cost)
    assert found.startswith("is ")


def test_records_do_not_change() -> None:
    priority = Priority(id="core", unmet="lost", cost_per_lpa=1)
    with pytest.raises(ValidationError):
        priority.id = "other"


def test_an_inner_key_is_told_with_the_keys_of_its_record() -> None:
    tier = {"from_lpa": 0, "price_per_lpa": 1, "price_lpa": 2}
    found, mend = first_fault(Supplier, id="A", contracts=[{"liquid": "B", "tiers": [tier]}])
    assert (found, mend) == ("is not a key known here", "Did you mean price_per_lpa?")


def test_columns_fit_their_models() -> None:
    for table in TABLES.values():
        assert {column.field for column in table.columns} == set(table.model.model_fields)
        assert len({column.name for column in table.columns}) == len(table.columns)
        assert table.required


def test_every_field_of_a_scenario_has_one_home() -> None:
    tables = {table.field for table in TABLES.values()}
    assert not tables & set(COLLECTIONS)
    plain = {"format", "name", "currency", "calendar", "finance", "change_cost_per_load"}
    assert tables | set(COLLECTIONS) | plain == set(Scenario.model_fields)
    assert set(ID_FIELDS) <= tables | set(COLLECTIONS)
