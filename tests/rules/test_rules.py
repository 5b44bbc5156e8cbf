"""The rules: published figures, windows of validity, and a reader that refuses bad data."""

from __future__ import annotations

import doctest
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from bulkflow import rules
from bulkflow.errors import InputError, OutOfRangeError
from bulkflow.rules import reader

TODAY = date(2026, 11, 25)

RULE = """
rules:
  - id: xx.label.tolerance
    kind: label_tolerance
    jurisdiction: XX
    title: Strength on the label
    plus_minus: 0.3
    unit: "% vol"
    basis: from memory
    source: nowhere
"""


# --- the data ------------------------------------------------------------------------------


def test_every_rule_says_where_it_comes_from() -> None:
    listed = rules.all_rules()
    assert len(listed) > 100
    for rule in listed:
        assert rule.source.strip()
        assert rule.title.strip()
        assert rule.citation.startswith(rule.source)
        assert rule.basis.value in rule.citation
    assert {rule.basis for rule in listed} == set(rules.Basis)


def test_every_kind_is_in_use() -> None:
    kinds = {type(rule) for rule in rules.all_rules()}
    declared = {
        value
        for value in vars(rules).values()
        if isinstance(value, type) and issubclass(value, rules.Rule) and value is not rules.Rule
    }
    assert kinds == declared


@pytest.mark.parametrize(
    ("market", "minimum", "maximum"),
    # EU: Reg 2019/787 cat 20(b); US: 27 CFR 5.144; Brazil: Decree 12.709/2025 Art 68; Australia
    # and New Zealand: Standard 2.7.5; Canada: B.02.041 states none; others from memory
    [
        ("EU", 37.5, None), ("DE", 37.5, None), ("XI", 37.5, None), ("GB", 37.5, None),
        ("US", 40.0, None), ("BR", 35.0, 54.0), ("AU", 37.0, None), ("NZ", 37.0, None),
        ("CA", None, None), ("JP", None, None), ("ZA", 43.0, None), ("IN", 36.0, 50.0),
        ("MX", 35.0, 55.0),
    ],
)  # fmt: skip
def test_minimum_strength_of_gin(market: str, minimum, maximum) -> None:
    found = rules.strength_limit(market, on=TODAY)
    assert found is not None
    assert (found.minimum_percent, found.maximum_percent) == (minimum, maximum)


def test_neutral_alcohol_in_the_eu_and_in_great_britain() -> None:
    """The EU list has five substances since 2022, the British eight; furfural differs."""
    eu = {found.substance: found for found in rules.substance_limits("LV", on=TODAY)}
    gb = {found.substance: found for found in rules.substance_limits("GB", on=TODAY)}
    assert {name: found.maximum for name, found in eu.items()} == {
        "ethyl acetate": 1.3,
        "acetaldehyde": 0.5,
        "higher alcohols": 0.5,
        "methanol": 30.0,
        "furfural": 0.5,
    }
    assert len(gb) == 8
    assert gb["furfural"].not_detectable
    assert gb["furfural"].maximum is None
    assert gb["methanol"].maximum == 30.0
    assert rules.strength_limit("LV", "neutral alcohol", on=TODAY).minimum_percent == 96.0
    london = rules.substance_limits("GB", "alcohol for London gin", on=TODAY)
    assert [(found.substance, found.maximum) for found in london] == [("methanol", 5.0)]


def test_bottle_sizes() -> None:
    germany = rules.bottle_sizes("DE", on=TODAY)
    assert germany.allows(700)
    assert not germany.allows(750)
    assert germany.allows(50)  # outside 100 to 2000 ml any size
    assert germany.allows(3000)
    assert rules.bottle_sizes("CA", on=TODAY).allows(710)  # none fixed
    assert rules.bottle_sizes("JP", on=TODAY) is None  # not known here


def test_the_american_sizes_changed_on_10_january_2025() -> None:
    """T.D. TTB-200: fifteen sizes more, 500 ml among them; 700 ml was there since 2020."""
    before = rules.bottle_sizes("US", on=date(2025, 1, 9))
    after = rules.bottle_sizes("US", on=date(2025, 1, 10))
    assert not before.allows(500)
    assert after.allows(500)
    assert before.allows(700)
    assert len(after.millilitres) == 25
    assert set(before.millilitres) <= set(after.millilitres)
    common = set(after.millilitres) & set(rules.bottle_sizes("GB", on=TODAY).millilitres)
    assert common == {100, 200, 350, 500, 700, 1000, 1500, 1750, 2000}


def test_label_tolerances() -> None:
    assert rules.label_tolerance("FR", on=TODAY).percent_vol(40.0) == 0.3
    assert rules.label_tolerance("US", on=TODAY).percent_vol(40.0) == 0.3
    # T.D. TTB-158: published on 2 April 2020, in effect on 4 May
    old = rules.label_tolerance("US", on=date(2020, 5, 3))
    assert (old.plus_minus, old.drop_only) == (0.15, True)
    assert rules.label_tolerance("US", on=date(2020, 5, 4)).plus_minus == 0.3
    assert rules.label_tolerance("IN", on=TODAY).percent_vol(42.8) == pytest.approx(0.428)


def test_contents() -> None:
    """Directive 76/211/EEC: 15 ml at 700 ml, 3 % at 350 ml, 9 % at 50 ml."""
    rule = rules.rule("eu.contents.tolerable_error", on=TODAY)
    assert rule.tolerable_ml(700.0) == 15.0
    assert rule.tolerable_ml(350.0) == pytest.approx(10.5)
    assert rule.tolerable_ml(50.0) == pytest.approx(4.5)
    assert rule.tolerable_ml(2.0) is None


@pytest.mark.parametrize(
    ("market", "nominal_ml", "error_ml"),
    # Directive 76/211/EEC Annex I 2.4, columns as in the French decree 78-166 Art 4; US: 27 CFR
    # 19.356(b), from memory
    [
        ("FR", 50, 4.5), ("FR", 100, 4.5), ("FR", 200, 9.0), ("FR", 350, 10.5), ("FR", 500, 15.0),
        ("FR", 1000, 15.0), ("FR", 1500, 22.5), ("FR", 1750, 26.25), ("FR", 2000, 30.0),
        ("FR", 10_000, 150.0), ("FR", 12_000, None), ("GB", 1500, 22.5), ("GB", 12_000, 150.0),
        ("GB", 20_000, 200.0), ("US", 1750, 26.25), ("US", 750, 15.0), ("US", 375, 11.25),
        ("US", 50, 4.5), ("JP", 700, None),
    ],
)  # fmt: skip
def test_contents_over_the_whole_range(market, nominal_ml, error_ml) -> None:
    rule = rules.contents_error(market, on=TODAY)
    found = None if rule is None else rule.tolerable_ml(nominal_ml)
    assert found == (None if error_ml is None else pytest.approx(error_ml))


def test_reference_temperatures() -> None:
    celsius = [rules.reference_temperature(m, on=TODAY).celsius for m in ("IT", "GB", "US", "JP")]
    assert celsius == pytest.approx([20.0, 20.0, 60 / 1.8 - 32 / 1.8, 15.0])


def test_losses_and_journeys() -> None:
    assert rules.loss_allowance("IE", on=TODAY).percent == 1.0
    assert rules.loss_allowance("US", on=TODAY).percent == 1.0
    assert rules.loss_allowance("DE", on=TODAY).percent is None  # no common threshold
    assert rules.loss_allowance("JP", on=TODAY) is None
    assert rules.journey_limit("ES", "sea", on=TODAY).days == 45
    assert rules.journey_limit("ES", "road", on=TODAY).days == 35


def test_journey_limits_cite_the_regulation_in_force() -> None:
    """Delegated Reg (EU) 2022/1636 since 13 February 2023; eight modes, no 57 days."""
    caps = {one.mode: one.days for one in rules.rules_of(rules.JourneyLimit, on=TODAY)}
    assert caps == {"sea": 45, "rail": 35, "road": 35, "air": 20, "post": 30,
                    "fixed installations": 15, "inland waterway": 35, "other": 45}  # fmt: skip
    assert "2022/1636" in rules.journey_limit("LV", "sea", on=date(2023, 2, 13)).source
    before = rules.journey_limit("LV", "sea", on=date(2023, 2, 12))
    assert (before.days, "684/2009" in before.source) == (45, True)
    assert rules.journey_limit("LV", "air", on=date(2023, 2, 12)) is None


def test_the_neutral_alcohol_of_the_union_before_the_amendment_of_2022() -> None:
    older = {one.substance for one in rules.substance_limits("LV", on=date(2022, 8, 14))}
    assert older == {one.substance for one in rules.substance_limits("GB", on=TODAY)}
    assert len(rules.substance_limits("LV", on=date(2022, 8, 15))) == 5


def test_what_a_beverage_above_70_percent_lacks() -> None:
    """ADR 2017 and 2025 Table A: UN 3065 PG II has no special provision."""
    (strong,) = rules.dangerous_goods_lines(80.0, "alcoholic beverage", on=TODAY)
    (weak,) = rules.dangerous_goods_lines(63.5, "alcoholic beverage", on=TODAY)
    assert strong.special_provisions == ()
    assert weak.special_provisions == (144, 145, 247)
    assert strong.sea_line == "UN 3065 ALCOHOLIC BEVERAGES, 3, PG II"
    assert rules.sea_schedule(1170, on=TODAY).fire == "F-E"
    assert rules.sea_schedule(3065, on=TODAY).spillage == "S-D"


def test_a_document_for_the_sea_has_no_tunnel_but_schedules_and_flash_point() -> None:
    (line,) = rules.dangerous_goods_lines(80.0, "alcoholic beverage", on=TODAY)
    said = rules.at_sea(line, 80.0, on=TODAY)
    assert said[0] == "UN 3065 ALCOHOLIC BEVERAGES, 3, PG II"
    assert said[1].startswith("emergency schedules F-E, S-D; stowage category A [IMDG")
    assert said[2].startswith("flash point about 19 to 20 degC, for orientation: measure it")
    assert "(D/E)" not in " ".join(said)


def test_flash_points_by_strength() -> None:
    """23 degC falls at about 55 %, between 50 (24) and 60 (22) of the substance database."""
    said = {table.id: c for table, c in rules.flash_points_c(55.0, on=TODAY)}
    assert said["flash_point.substances"] == pytest.approx(23.0)
    assert rules.rule("flash_point.handbook", on=TODAY).at(96.0) == 17.0
    assert rules.rule("flash_point.handbook", on=TODAY).at(5.0) is None


@pytest.mark.parametrize(
    ("market", "label", "right"),
    # Reg (EU) 1169/2011 Annex XII; tax bureau guidance; Standard 2.7.1
    [
        ("AT", "41.2 % vol", True), ("AT", "alc. 41,2% vol", True),
        ("AT", "Alcohol 40 % vol", True),
        ("AT", "41.25 % vol", False), ("AT", "40 %", False), ("AT", "80 proof", False),
        ("US", "43% alcohol by volume", True), ("US", "43 % ALC/VOL (86 proof)", True),
        ("US", "86 proof", False), ("US", "43 % vol", False),
        ("AU", "37 % alcohol by volume", True),
    ],
)  # fmt: skip
def test_label_forms(market: str, label: str, right: bool) -> None:
    assert rules.label_form(market, on=TODAY).follows(label) is right


@pytest.mark.parametrize("market", ["EU", "GB", "US", "AU", "NZ"])
def test_the_example_of_a_label_follows_its_own_form(market: str) -> None:
    form = rules.label_form(market, on=TODAY)
    assert form.follows(form.example)


def test_units_of_excise() -> None:
    """A proof gallon is 1.8927 LPA by nominal volume (27 CFR 19.1); Japan reckons at 15 degC."""
    assert rules.excise_unit("US", on=TODAY).litres_of_pure_alcohol == pytest.approx(1.892706)
    assert rules.excise_unit("LV", on=TODAY).unit == "hectolitre of pure alcohol"
    assert rules.excise_unit("JP", on=TODAY).celsius == 15.0


def test_gaskets_and_cautions_bear_generic_names() -> None:
    words = [word for one in rules.rules_of(rules.GasketMaterial, on=TODAY) for word in one.words]
    assert not {"teflon", "buna", "viton"} & set(words)
    said = {one.title: one.text for one in rules.cautions(on=TODAY)}
    assert "5 minutes from 20 to 40 m3" in said["Wait before gauging or sampling"]
    assert "Never nose at an open tank" in said["Vapour"]


def test_american_rates_on_imports_are_reclaimed() -> None:
    (claim, *_) = rules.statements("US", "duty", on=TODAY)
    assert "full rate" in claim.text
    assert rules.statements("US", "duty", on=date(2022, 12, 31)) == ()


def test_what_applies_where_and_when() -> None:
    spring = rules.applying(["LV", "US"], on=date(2027, 4, 1))
    ids = {one.id for one in spring}
    assert {"eu.neutral_alcohol.methanol", "us.bottle_sizes", "adr.un3065.ii"} <= ids
    assert not {"gb.neutral_alcohol.methanol", "jp.reference_temperature"} & ids
    assert all(rules.says(one) for one in rules.all_rules())


def test_duty_schedules() -> None:
    assert rules.duty_schedule("GB", on=date(2026, 1, 31)).rate == 32.79
    assert rules.duty_schedule("GB", on=date(2026, 2, 1)).rate == 33.99
    assert rules.duty_schedule("GB", on=date(2025, 1, 31)) is None
    american = rules.duty_schedule("US", on=TODAY)
    assert (american.schedule, american.rate) == ("per_proof_gallon", 13.5)
    assert rules.duty_schedule("LV", on=TODAY) is None  # the EU's floor is no rate of a country
    assert rules.rule("eu.duty.minimum", on=TODAY).rate == 5.5


@pytest.mark.parametrize(
    ("strength", "cargo", "flash_point", "lines"),
    # ADR 2025 Table A: UN 3065 III above 24 to 70 % vol; SP 144 up to 24 % vol not subject
    [
        (24.0, "alcoholic beverage", None, []),
        (24.1, "alcoholic beverage", None, [(3065, "III", 30)]),
        (70.0, "alcoholic beverage", None, [(3065, "III", 30)]),
        (70.1, "alcoholic beverage", None, [(3065, "II", 33)]),
        (20.0, "ethanol", None, []),
        (96.4, "ethanol", None, [(1170, "II", 33), (1170, "III", 30)]),
        (96.4, "ethanol", 17.0, [(1170, "II", 33)]),
        (50.0, "ethanol", 24.0, [(1170, "III", 30)]),
        (50.0, "ethanol", 23.0, [(1170, "III", 30)]),
    ],
)
def test_dangerous_goods_lines(strength, cargo, flash_point, lines) -> None:
    found = rules.dangerous_goods_lines(strength, cargo, on=TODAY, flash_point_c=flash_point)
    assert [(line.un_number, line.packing_group, line.hazard_number) for line in found] == lines
    assert "adviser decides" in rules.DANGEROUS_GOODS_CAUTION


def test_dangerous_goods_on_a_document() -> None:
    (line,) = rules.dangerous_goods_lines(63.5, "alcoholic beverage", on=TODAY)
    assert line.document_line == "UN 3065 ALCOHOLIC BEVERAGES, 3, III, (D/E)"
    for wrong in (float("nan"), -1.0, 101.0):
        with pytest.raises(OutOfRangeError, match="strength"):
            rules.dangerous_goods_lines(wrong, "ethanol", on=TODAY)


def test_cautions_and_cleaning_codes() -> None:
    assert {"Tank entry", "Earthing", "Discharge"} <= {
        found.title for found in rules.cautions(on=TODAY)
    }
    for work in rules.CAUTIONS_OF:
        ids = [one.id for one in rules.cautions_of(work, on=TODAY)]
        assert "caution.vapour" in ids and len(set(ids)) == len(ids)
    codes = {found.code: found.meaning for found in rules.cleaning_codes(on=TODAY)}
    assert codes["F51"] == "food-approved sanitiser"
    assert len(codes) == 6


# --- finding -------------------------------------------------------------------------------


def test_an_unknown_rule_is_told_with_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        rules.rule("eu.gin.strenght", on=TODAY)
    assert str(caught.value) == (
        "rule 'eu.gin.strenght' is not known. Did you mean eu.gin.strength?"
    )
    with pytest.raises(InputError, match="See the files"):
        rules.rule("zzz", on=TODAY)


def test_a_gap_between_versions_is_no_rule() -> None:
    with pytest.raises(InputError) as caught:
        rules.rule("ca.duty.spirits", on=date(2024, 6, 1))
    assert str(caught.value) == (
        "rule 'ca.duty.spirits' is not in force on 2024-06-01. Its versions: 2023-04-01 to"
        " 2024-03-31; 2025-04-01 and on."
    )


@given(days=st.integers(0, 9_000))
def test_at_most_one_version_is_in_force(days: int) -> None:
    day = date(2010, 1, 1) + timedelta(days=days)
    ids = [rule.id for rule in rules.all_rules() if rule.holds_on(day)]
    assert len(ids) == len(set(ids))


def test_wider_jurisdictions() -> None:
    assert rules.wider_jurisdictions("DE") == ("DE", "EU", "ALL")
    assert rules.wider_jurisdictions("GB") == ("GB", "ALL")
    assert rules.wider_jurisdictions("ALL") == ("ALL",)
    assert len(reader._members()["EU"]) == 28  # 27 states and Northern Ireland


def test_rules_do_not_change() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        rules.rule("eu.gin.strength", on=TODAY).minimum_percent = 30.0


# --- reading bad data ----------------------------------------------------------------------


def faults(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        rules.parse_rules([("some.yaml", text)])
    return [str(fault) for fault in caught.value.faults]


def test_a_good_file_reads() -> None:
    (found,) = rules.parse_rules([("some.yaml", RULE)])
    assert isinstance(found, rules.LabelTolerance)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("plus_minus: 0.3", "plus_minus: -0.3", "rules[xx.label.tolerance].plus_minus is wrong"),
        ("plus_minus: 0.3", "plus_minus: .nan", "finite"),
        ("plus_minus: 0.3", "plus_minus: .inf", "finite"),
        ("kind: label_tolerance", "kind: tolerance", "does not match any of the expected tags"),
        ("basis: from memory", "basis: certain", "published (seen)"),
        ("basis: from memory", "basis: published (seen)", "read_from goes with the basis"),
        ("jurisdiction: XX", "jurisdiction: xx", "should match pattern"),
        ("source: nowhere", "source: ''", "at least 1 character"),
        ("source: nowhere", "colour: red", "Field required"),
        ("source: nowhere", "source: a\n    first_day: 2025-01-02\n    last_day: 2025-01-01",
         "first_day is after last_day"),
        ("source: nowhere", "source: a\n    first_day: soon", "valid date"),
    ],
)  # fmt: skip
def test_wrong_fields_are_told(old: str, new: str, words: str) -> None:
    told = faults(RULE.replace(old, new))
    assert any(words in fault for fault in told), told
    assert all(fault.startswith("some.yaml: rules[") for fault in told)


def test_all_faults_at_once() -> None:
    twice = RULE + RULE.split("rules:\n")[1].replace("0.3", "zero").replace("XX", "Q")
    assert len(faults(twice)) == 2


def test_overlapping_versions_are_refused() -> None:
    body = RULE.split("rules:\n")[1]
    first = body.replace("source: nowhere", "source: a\n    last_day: 2025-06-30")
    second = body.replace("source: nowhere", "source: b\n    first_day: 2025-06-30")
    assert faults("rules:\n" + first + second) == [
        "rule 'xx.label.tolerance' has versions that overlap: always to 2025-06-30; 2025-06-30"
        " and on. End one on the day before the next begins."
    ]
    later = second.replace("2025-06-30", "2025-07-01")
    assert len(rules.parse_rules([("some.yaml", "rules:\n" + first + later)])) == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("rules: 3", "holds no list of rules"),
        ("- 1", "holds a list"),
        ("rules: [1", "cannot be read as YAML"),
        ("rules: !!python/object/apply:os.system ['true']", "has the tag"),
        ("rules: [3]", "is wrong"),
    ],
)
def test_what_is_no_file_of_rules(text: str, words: str) -> None:
    assert any(words in fault for fault in faults(text))


def test_duty_examples() -> None:
    from bulkflow import duty

    assert doctest.testmod(duty).failed == 0
