"""Bottles and the rules of their markets; each row names the rule that decides it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bulkflow.account.bodies import Bottling
from bulkflow.account.bottling_rules import bottle_words, refuse_hazy, refuse_unlawful
from bulkflow.errors import InputError
from bulkflow.lots.acts import record_results
from bulkflow.lots.bodies import Result
from bulkflow.plan.compliance import (
    compliance_findings,
    judge_product,
    label_words,
    lpa_per_case,
)
from bulkflow.scenario.model import Product, Scenario
from bulkflow.scenario.reader import read_workspace

from .making import add

DEMO = Path(__file__).parents[2] / "scenarios" / "vejkalna"
DAY = date(2027, 1, 4)


@pytest.fixture(scope="module")
def demo() -> Scenario:
    return read_workspace(DEMO).scenario


def bottle(**fields: Any) -> Product:
    given = {"id": "X", "liquid": "VK-DRY", "bottle_ml": 700.0, "strength_percent": 41.2,
             "bottles_per_case": 6}  # fmt: skip
    return Product(**{**given, **fields})


def judged(demo: Scenario, place: str, definition: str | None = None, on=DAY, **fields: Any):
    liquid = next(one for one in demo.liquids if one.id == "VK-DRY")
    if definition is not None:
        liquid = liquid.model_copy(update={"definition": definition})
    return judge_product(bottle(**fields), liquid, place, on=on)


@pytest.mark.parametrize(
    ("place", "fields", "broken"),
    [
        ("AT", {}, {}),
        # T2: Directive 2007/45/EC Annex; Reg (EU) 2019/787 Annex I cat 20(b)
        ("AT", {"bottle_ml": 650.0, "strength_percent": 36.0},
         {"size": "2007/45", "strength": "2019/787"}),
        ("AT", {"bottle_ml": 750.0}, {"size": "2007/45"}),
        ("US", {"bottle_ml": 750.0}, {}),
        # 27 CFR 5.144: 80 proof
        ("US", {"bottle_ml": 750.0, "strength_percent": 38.0}, {"strength": "27 CFR"}),
        # Reg (EU) 1169/2011 Annex XII: at most one decimal
        ("AT", {"strength_percent": 41.25}, {"label": "1169/2011"}),
        ("AT", {"label_strength": "41.2 % by volume"}, {"label": "1169/2011"}),
        ("AT", {"label_strength": "40 % vol"}, {"label": "1169/2011"}),
        ("AT", {"label_strength": "alc. 41,2 % vol"}, {}),
        # Decree 12.709/2025 Art 68: 35 to 54 % vol
        ("BR", {"strength_percent": 57.1}, {"strength": "12.709"}),
        ("IN", {"bottle_ml": 750.0, "strength_percent": 57.1}, {"strength": "FSS"}),
    ],
)  # fmt: skip
def test_what_breaks_a_rule_names_it(demo, place, fields, broken) -> None:
    found = {one.about: one.rule.source for one in judged(demo, place, **fields).breaches}
    assert found.keys() == broken.keys()
    assert all(source in found[about] for about, source in broken.items())


def test_the_day_counts(demo) -> None:
    """27 CFR 5.203, 90 FR 1868: 355 ml in bottles since 10 January 2025."""
    before = judged(demo, "US", on=date(2025, 1, 9), bottle_ml=355.0)
    after = judged(demo, "US", on=date(2025, 1, 10), bottle_ml=355.0)
    assert [one.about for one in before.breaches] == ["size"]
    assert after.breaches == ()


def test_what_the_line_and_the_label_have_to_do(demo) -> None:
    said = " ".join(judged(demo, "AT", added_allergens=("almond",)).remarks)
    assert "may be short by 15 ml" in said  # Directive 76/211/EEC Annex I 2.4
    assert "declares almond" in said  # Reg (EU) 1169/2011 Annex II
    assert "2011/91/EU" in said  # lot code
    japan = judged(demo, "JP")
    assert "its degree at 15 degC is 41." in " ".join(japan.remarks)  # Liquor Tax Act Art 3(1)
    assert "sizes of bottles" in japan.unknown


def test_the_demo_breaks_no_rule_and_a_changed_one_is_told(demo) -> None:
    assert list(compliance_findings(demo)) == []
    products = [
        one.model_copy(update={"bottle_ml": 650.0}) if one.id == "DRY-700" else one
        for one in demo.products
    ]
    (one,) = compliance_findings(demo.model_copy(update={"products": tuple(products)}))
    assert one.severity == "warns"
    assert "DRY-700 cannot be sold lawfully in AT: 650 ml is no size of AT" in one.words
    assert "Directive 2007/45/EC" in one.words


def test_cases_and_labels() -> None:
    assert lpa_per_case(bottle(strength_percent=40.0)) == pytest.approx(1.68)
    assert label_words("40% alcohol by volume", 43.0) == "43% alcohol by volume"


def bottling(**fields: Any) -> Bottling:
    given: dict[str, Any] = {
        "bottling_id": "B-1", "site_id": "GRAZ", "product_id": "DRY-700", "on": DAY,
        "sources": [{"kind": "lot", "source_id": "L1", "liquid_id": "VK-DRY", "lpa": "200"}],
        "cases": 100, "bottles_per_case": 6, "bottle_ml": "700", "strength_percent": "41.2",
        "lpa_bottled": "173.04",
    }  # fmt: skip
    return Bottling.model_validate({**given, **fields})


def test_bottling_stops_with_the_rule_and_goes_on_with_a_market_or_a_reason(demo) -> None:
    refuse_unlawful(demo, [bottling()])
    wrong = {"product_id": "DRY-750", "bottle_ml": "750", "strength_percent": "43"}
    with pytest.raises(InputError, match=r"750 ml is no size of AT.*2007/45"):
        refuse_unlawful(demo, [bottling(**wrong)])
    refuse_unlawful(demo, [bottling(**wrong, market="US")])
    refuse_unlawful(demo, [bottling(**wrong, reason="samples for a fair, not sold")])
    with pytest.raises(InputError, match="is no market here"):
        refuse_unlawful(demo, [bottling(market="MOON")])


def test_words_at_bottling(demo) -> None:
    product = next(one for one in demo.products if one.id == "DRY-700")
    said = list(bottle_words(demo, product, bottling()))
    assert said[0] == "1.7304 LPA a case"
    assert said[1].startswith("duty on a bottle ")


def test_bottles_that_may_cloud_need_a_chill_test(demo, lite, ann) -> None:
    liquids = [
        one.model_copy(update={"lowest_clear_percent": 43.0}) if one.id == "VK-DRY" else one
        for one in demo.liquids
    ]
    hazy = demo.model_copy(update={"liquids": tuple(liquids)})
    assert any("needs" in one.words or "need a chill" in one.words
               for one in compliance_findings(hazy))  # fmt: skip
    with lite.write(ann) as session:
        add(session, "L1", liquid="VK-DRY")
        with pytest.raises(InputError, match="L1 has no chill test"):
            refuse_hazy(session, hazy, [bottling()])
        for value, lets in ((0.6, True), (3.0, False)):
            result = Result(lot_id="L1", analyte="chill test", value=str(value), unit="NTU")
            record_results(session, [result])
            if lets:
                refuse_hazy(session, hazy, [bottling()])
        with pytest.raises(InputError, match="no chill test of at most 1 NTU"):
            refuse_hazy(session, hazy, [bottling()])
        refuse_hazy(session, demo, [bottling()])
