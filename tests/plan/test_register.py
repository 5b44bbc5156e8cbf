"""Lots of the register as the planner takes them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from bulkflow.errors import InputError
from bulkflow.lots.opening import OpeningLot
from bulkflow.lots.workspace import WorkspaceOpening
from bulkflow.plan import register
from bulkflow.scenario.model import LotStatus, Scenario
from bulkflow.scenario.reader import read_workspace
from tests.plan.by_hand import TWO_SITES

LOT = OpeningLot(
    lot_id="DRY-1",
    liquid_id="DRY",
    site_id="STILLHOUSE",
    tank_id="D1",
    lpa=Decimal("7000.00"),
    strength_percent=Decimal("80.00"),
    status="released",
    expected_release=None,
    reason="every gate is open",
    spirit_base="cereal",
    supplier_id="GRAINHOUSE",
    restrictions=(),
    made_on=date(2026, 12, 14),
)


def opened(monkeypatch: pytest.MonkeyPatch, *lots: OpeningLot) -> Scenario:
    opening = WorkspaceOpening(tuple(lots), "records.sqlite", "3:ab", "")
    monkeypatch.setattr(register, "opening_of_workspace", lambda *_, **__: opening)
    return register.with_register(read_workspace(TWO_SITES).scenario, TWO_SITES, None).scenario


def test_a_lot_of_the_register_takes_the_place_of_the_table(monkeypatch):
    (lot,) = opened(monkeypatch, LOT).lots
    assert (lot.litres_20c, lot.lpa, lot.status) == (8750.0, 7000.0, LotStatus.RELEASED)
    assert lot.made_on == date(2026, 12, 14)


def test_the_reason_of_a_shut_gate_is_kept_however_long(monkeypatch):
    held = replace(LOT, status="held", reason="an odd smell, " * 300)
    (lot,) = opened(monkeypatch, held).lots
    assert lot.note is not None
    assert lot.note.startswith("an odd smell, an odd smell")


def test_without_a_register_nothing_changes(monkeypatch):
    monkeypatch.setattr(register, "opening_of_workspace", lambda *_, **__: None)
    scenario = read_workspace(TWO_SITES).scenario
    found = register.with_register(scenario, TWO_SITES, None)
    assert (found.scenario, found.register, found.said) == (scenario, "", "")


def test_every_lot_the_workspace_has_no_place_for_is_named(monkeypatch):
    with pytest.raises(InputError) as caught:
        opened(monkeypatch, replace(LOT, liquid_id="RUM"), replace(LOT, site_id="MOON"))
    assert [fault.found for fault in caught.value.faults] == [
        "has the liquid 'RUM', which scenario.yaml does not have",
        "has the site 'MOON', which scenario.yaml does not have",
    ]


def test_a_value_that_cannot_be_planned_with_is_bad_input(monkeypatch):
    with pytest.raises(InputError, match=r"lot DRY-1, restrictions\.0 is no value to plan with"):
        opened(monkeypatch, replace(LOT, restrictions=("not an id!",)))
