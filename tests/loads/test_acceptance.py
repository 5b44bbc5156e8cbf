"""Is a tank fit to be filled: every check, passed and failed."""

from __future__ import annotations

from datetime import date

import pytest

from bulkflow.loads.acceptance import tank_checks
from bulkflow.rules import cleaning_age, gasket_materials, jurisdiction_of, prior_cargoes
from tests.loads.making import LOADING, a_tank


def failed(**fields) -> dict[str, str]:
    checks = tank_checks(a_tank(**fields), on=LOADING)
    return {check.what: check.words for check in checks if not check.passed}


def test_a_good_tank() -> None:
    assert failed() == {}
    assert len(tank_checks(a_tank(), on=LOADING)) == 9


def test_no_tank_at_all() -> None:
    (check,) = tank_checks(None, on=LOADING)
    assert not check.passed


@pytest.mark.parametrize(
    ("fields", "what", "words"),
    [
        ({"last_cargoes": ("gin",)}, "last cargoes", "1 of the last 3 cargoes are named"),
        ({"last_cargoes": ("gin", "fish oil", "rum")}, "last cargo 2", "barred"),
        ({"last_cargoes": ("gin", "rum", "Waste Water")}, "last cargo 3", "barred (waste)"),
        ({"last_cargoes": ("denatured alcohol", "rum", "gin")}, "last cargo 1", "barred"),
        ({"last_cargoes": ("moon dust", "rum", "gin")}, "last cargo 1", "is not on the list"),
        ({"last_cargoes": ("red wine", "rum", "gin")}, "last cargo 1", "to be asked about"),
        ({"cleaning_document": None}, "cleaning document", "no cleaning document"),
        ({"cleaned_on": None}, "age of the cleaning", "not given"),
        ({"cleaned_on": date(2027, 1, 3)}, "age of the cleaning", "8 days on 2027-01-11"),
        ({"cleaned_on": date(2027, 1, 12)}, "age of the cleaning", "after the day of filling"),
        ({"seals": ()}, "seals", "no seal number"),
        ({"seals_intact": False}, "seals", "not said to be intact"),
        ({"gasket_material": None}, "gasket", "not given"),
        ({"gasket_material": "NBR"}, "gasket", "not suited"),
        ({"gasket_material": "leather"}, "gasket", "not on the list"),
        ({"tank_nosed": None}, "tank nosed", "it was not nosed"),
        ({"hose_nosed": False}, "hose nosed", "an odour was found"),
        ({"kosher_asked": True}, "kosher status", "lacks the document of its kosher status and"),
        ({"kosher_asked": True, "kosher_document": "K-1"}, "kosher status", "code P26"),
        ({"organic_asked": True}, "organic status", "lacks the document"),
    ],
)
def test_what_keeps_a_tank_out(fields, what, words) -> None:
    found = failed(**fields)
    assert list(found) == [what]
    assert words in found[what]


@pytest.mark.parametrize(
    "fields",
    [
        {"last_cargoes": ("red wine", "rum", "gin"), "note": "gaskets changed since"},
        {"last_cargoes": ("moon dust", "rum", "gin"), "note": "asked: a trade name for vodka"},
        {"cleaned_on": date(2027, 1, 4)},
        {"kosher_asked": True, "kosher_document": "K-1", "cleaning_codes": ("p26", "F50")},
        {"organic_asked": True, "organic_document": "O-1"},
        {"gasket_material": "epdm, white"},
    ],
)
def test_what_does_not(fields) -> None:
    assert failed(**fields) == {}


def test_a_note_does_not_open_the_tank_to_a_barred_cargo() -> None:
    assert "last cargo 1" in failed(last_cargoes=("diesel", "gin", "rum"), note="washed twice")


def test_the_worst_word_counts() -> None:
    on = LOADING
    assert [one.verdict for one in prior_cargoes("whey spirit from milk", on=on)] == ["ask"]
    assert prior_cargoes("ginger", on=on) == ()  # gin is a whole word
    assert [one.suited for one in gasket_materials("PTFE on nitrile", on=on)] == [False, True]
    rule = cleaning_age(on=on)
    assert rule is not None
    assert rule.basis == "from memory"


def test_countries_by_name_and_code() -> None:
    names = ("Norway", "no", "South Africa", "united states", " XI ", "Atlantis", None)
    assert [jurisdiction_of(one) for one in names] == ["NO", "NO", "ZA", "US", "XI", None, None]
