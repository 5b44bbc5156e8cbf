"""The page on the workspace names every key and column, and no others."""

import re
from pathlib import Path

import pytest

import bulkflow.scenario
from bulkflow.scenario import model
from bulkflow.scenario.tables import TABLES

PAGE = (Path(bulkflow.scenario.__file__).parent / "README.md").read_text("utf-8")

SECTIONS = {
    "calendar": [model.Calendar],
    "finance": [model.Finance],
    "liquids": [model.Liquid],
    "recipes": [model.Recipe, model.RecipeInput],
    "suppliers": [model.Supplier, model.Contract, model.PriceTier, model.Closure],
    "sites": [model.Site, model.Tank, model.Still, model.Release, model.ArrivalCheck],
    "tank_types": [model.TankType, model.Compartment],
    "fleets": [model.Fleet],
    "lanes": [model.Lane, model.LaneTank, model.Waiting, model.Leg, model.Sailings],
    "authorities": [model.Authority, model.DutyRate],
    "guarantees": [model.Guarantee],
    "markets": [model.Market],
    "priorities": [model.Priority],
    "products": [model.Product],
    "stock_policies": [model.StockPolicy],
}


def section(name: str) -> str:
    return PAGE.split(f"\n### {name}\n")[1].split("\n## ")[0].split("\n### ")[0]


@pytest.mark.parametrize("name", SECTIONS)
def test_keys(name: str) -> None:
    fields = {field for one in SECTIONS[name] for field in one.model_fields}
    words = set(re.findall(r"`(\w+)`", section(name)))
    assert fields <= words, "keys the page does not name"
    in_first_column = {
        word
        for line in section(name).split("\n")
        if line.startswith("| `")
        for word in re.findall(r"`(\w+)`", line.split("|")[1])
    }
    assert in_first_column <= fields, "keys the page names and nothing reads"


def test_top_level_keys() -> None:
    tables = {table.field for table in TABLES.values()}
    for name in set(model.Scenario.model_fields) - tables:
        assert f"`{name}`" in PAGE or f"`{name}:" in PAGE or f"### {name}\n" in PAGE


def test_sections_are_the_top_level_keys() -> None:
    assert set(re.findall(r"\n### (\w+)\n", PAGE)) == set(SECTIONS)


@pytest.mark.parametrize("name", TABLES)
def test_columns(name: str) -> None:
    table = TABLES[name]
    row = next(line for line in PAGE.split("\n") if line.startswith(f"| `{name}` |"))
    said = re.findall(r"`(\w+)`", row)
    for column in table.columns:
        assert column.name in said
    assert re.findall(r"\*\*`(\w+)`\*\*", row) == table.required
