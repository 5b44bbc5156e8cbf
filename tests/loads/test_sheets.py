"""Load and arrival sheets: their numbers against alcoholometry, the rules and hand-worked sums."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bulkflow.alcoholometry import (
    density_from_strength,
    lpa_from_mass,
    lpa_from_volume,
    strength_from_hydrometer,
)
from bulkflow.errors import InputError
from bulkflow.loads.arrival import Wanted, arrival_sheet
from bulkflow.loads.fills import Ways, fill_of_part
from bulkflow.loads.gates import GateClosedError, LoadGateKind, load_gates
from bulkflow.loads.mixing import mix
from bulkflow.loads.paper import arrival_html, load_sheet_html
from bulkflow.loads.queries import find_load
from bulkflow.loads.sheet import load_sheet
from bulkflow.loads.sheet_text import load_sheet_lines
from bulkflow.lots.acts import place_holds
from bulkflow.lots.bodies import Sample
from bulkflow.lots.queries import find_lot
from bulkflow.lots.samples import keep_sample
from bulkflow.records.chain import head
from bulkflow.scenario.model import Compartment, TankType
from tests.loads.making import LOADING, a_load, a_part, accept, record, step

LOTS = [("VK-DRY-2641", 9000, "80.02"), ("VK-DRY-2642", 8900, "79.95")]


@pytest.fixture
def issued(store, ann, scenario):
    """A load of two lots, its tank accepted, issued under a movement reference."""
    with store.write(ann) as session:
        record(session, a_load(parts=(a_part(LOTS),)))
        accept(session, tare_kg=Decimal("3850"))
        step(session, scenario, "issued", movement_reference="27LV00000000000000017")
    return store


def text_of(page: str) -> str:
    """The words of a page, without its marks."""

    class Reader(HTMLParser):
        words: list[str]

        def handle_data(self, data: str) -> None:
            self.words.append(data)

    reader = Reader()
    reader.words = []
    reader.feed(page)
    return " ".join(" ".join(reader.words).split())


def test_the_numbers_agree_with_alcoholometry(issued, scenario) -> None:
    with issued.read() as session:
        sheet = load_sheet(session, scenario, "A-1", temperature_c=12.0)
        assert sheet.chain_head == str(head(session))
    (part,) = sheet.parts
    assert part.lpa == Decimal("17900.000")
    assert float(lpa_from_volume(part.litres, part.strength_percent, 12.0)) == pytest.approx(
        17900.0, rel=1e-9
    )
    assert float(lpa_from_volume(part.litres_20c, part.strength_percent)) == pytest.approx(17900.0)
    assert float(lpa_from_mass(part.mass_kg, part.strength_percent)) == pytest.approx(17900.0)
    assert part.density == pytest.approx(
        float(density_from_strength(part.strength_percent, 12.0)), rel=1e-12
    )
    assert part.mass_kg == pytest.approx(part.litres * part.density / 1000.0, rel=1e-9)
    assert 79.95 < part.strength_percent < 80.02
    assert sum(lot.mass_kg for lot in part.lots) == pytest.approx(part.mass_kg, rel=1e-9)
    assert part.ullage_litres == pytest.approx(24000.0 - part.litres)
    # TP1: 97 / (1 + alpha (50 - t)) % of the capacity (ADR and IMDG 4.2.1.9.2)
    alpha = part.fills[0].expansion.alpha
    assert part.most_litres == pytest.approx(0.97 / (1 + alpha * 38.0) * 24000.0)
    assert part.least_litres == 0.8 * 24000.0
    assert sheet.weights.gross_kg == pytest.approx(3850.0 + sheet.weights.scale_kg)
    # a scale in air shows about 0.12 % less than the true mass of such spirit
    assert 0.0010 < 1 - sheet.weights.scale_kg / sheet.weights.net_kg < 0.0014


def test_duty_guarantee_and_journey(issued, scenario) -> None:
    with issued.read() as session:
        sheet = load_sheet(session, scenario, "A-1")
    assert sheet.journey.movement_reference == "27LV00000000000000017"
    assert sheet.journey.mode == "sea"
    assert sheet.journey.limit is not None
    assert sheet.journey.limit.days == 45
    assert sheet.journey.planned_days == 26
    (line,) = sheet.guarantees
    # 17,900 LPA at EUR 21.90 per LPA; days 0 to 9 after loading on 11 January
    assert line.this_load == Decimal("392010.00")
    assert (line.first_day, line.last_day) == (date(2027, 1, 11), date(2027, 1, 20))
    # none of the demo's loads under way, the last loaded on 28 December, is within its 9 days
    assert (line.others, line.others_named) == (0, ())
    assert line.left == Decimal("4207990.00")
    assert line.enough


def test_other_loads_use_the_guarantee_too(issued, ann, scenario) -> None:
    with issued.write(ann) as session:
        record(session, a_load("B-2", loading_day=date(2027, 1, 5)))
        record(session, a_load("C-3", loading_day=date(2027, 1, 1)))
        record(session, a_load("D-4"))
        accept(session, "B-2", cleaned_on=date(2027, 1, 4), examined_on=date(2027, 1, 5))
        step(session, scenario, "issued", "B-2", on=date(2027, 1, 5))
    with issued.read() as session:
        (line,) = load_sheet(session, scenario, "A-1").guarantees
    assert line.others_named == ("B-2",)
    assert line.left == line.limit - 2 * line.this_load


def test_a_bond_in_another_currency_from_the_day_it_counts(store, ann, scenario) -> None:
    with store.write(ann) as session:
        load = a_load(
            lane_id="riga-nhava-sheva",
            destination="NASHIK",
            market="IN",
            arrival_day=date(2027, 2, 26),
            discharge_day=date(2027, 3, 5),
            usable_day=date(2027, 3, 5),
        )
        record(session, load)
        accept(session)
        step(session, scenario, "issued")
        by_name = {one.guarantee: one for one in load_sheet(session, scenario, "A-1").guarantees}
    bond = by_name["IN-BOND"]
    # INR 620 per LPA from the 38th day to the discharge
    assert (bond.currency, bond.this_load) == ("INR", Decimal("11098000.00"))
    assert (bond.first_day, bond.last_day) == (date(2027, 2, 18), date(2027, 3, 5))


def test_a_sheet_is_refused_while_a_gate_is_closed(issued, ann, scenario) -> None:
    with issued.write(ann) as session:
        place_holds(session, ["VK-DRY-2642"], "odd smell reported")
    with (
        issued.read() as session,
        pytest.raises(GateClosedError, match="hold of VK-DRY-2642: held: odd smell reported"),
    ):
        load_sheet(session, scenario, "A-1")


def test_a_fill_that_does_not_suit_the_day_is_refused(store, ann, scenario) -> None:
    """Just 80 % full at the lane's temperature; loaded colder it takes less room, and would surge.

    No sheet, no issue, no loading: whatever the lane says, what is stated or measured counts; and
    what was measured at loading goes on counting when it departs.
    """
    too_cold = r"fill of VK-DRY: 15370\.000 LPA at 5 degC; from 15,.* which is 19,200 to"
    with store.write(ann) as session:
        record(session, a_load(parts=(a_part([("VK-DRY-2641", 15370, "80.02")]),)))
        accept(session)
        lane = load_sheet(session, scenario, "A-1")
        with pytest.raises(GateClosedError, match=too_cold):
            load_sheet(session, scenario, "A-1", temperature_c=5.0)
        with pytest.raises(GateClosedError, match=too_cold):
            step(session, scenario, "issued", temperature_c=Decimal(5))
        step(session, scenario, "issued")
        with pytest.raises(GateClosedError, match=too_cold):
            step(session, scenario, "loaded", temperature_c=Decimal(5))
        left = find_lot(session, "VK-DRY-2641")
        assert left.lpa_left == left.lpa
        step(session, scenario, "loaded", temperature_c=Decimal(24))
        step(session, scenario, "departed")
        loaded = load_sheet(session, scenario, "A-1")
    assert loaded.temperature_c == 24.0
    (part,) = lane.parts
    words = " ".join(part.other_words)
    assert "5 °C: 18,9" in words and "L (not allowed)" in words
    assert words in text_of(load_sheet_html(lane)).replace(";", "")
    for at, litres, least, most in part.at_other:
        assert float(lpa_from_volume(litres, part.strength_percent, at)) == pytest.approx(15370.0)
        assert least == 19200.0 < most < 24000.0


def test_the_page_says_what_the_terminal_says(issued, scenario) -> None:
    with issued.read() as session:
        sheet = load_sheet(session, scenario, "A-1")
    page = load_sheet_html(sheet)
    words = text_of(page)
    lines = "\n".join(line for line in load_sheet_lines(sheet) if isinstance(line, str))
    for said in (
        "UN 3065 ALCOHOLIC BEVERAGES, 3, II, (D/E)",
        "27LV00000000000000017",
        sheet.chain_head,
        "a qualified dangerous-goods adviser decides",
        "Nobody enters a tank without training",
    ):
        assert said in words
        assert said in lines
    assert "17,900.0 " in words
    assert "maximum degree of filling; ADR and IMDG 4.2.1.9.2 (TP1)" in words
    assert not re.search(r"(src|href)=|https?:|<script", page)


def test_hostile_words_stay_words(issued, ann, scenario) -> None:
    with issued.write(ann) as session:
        accept(session, gasket_material="PTFE <script>alert(1)</script>", seals=("S-1",))
        page = load_sheet_html(load_sheet(session, scenario, "A-1"))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_the_plate_of_the_tank_that_came_counts(store, ann, scenario) -> None:
    with store.write(ann) as session:
        record(session)
        accept(session, capacity_litres=Decimal("23500"), maximum_gross_kg=Decimal("30480"))
        with pytest.raises(GateClosedError, match="fill of VK-DRY"):
            step(session, scenario, "issued")
        accept(session, capacity_litres=Decimal("24200"), maximum_gross_kg=Decimal("30480"))
        sheet = load_sheet(session, scenario, "A-1")
    assert sheet.parts[0].capacity_litres == 24200.0
    assert sheet.weights.maximum_gross_kg == 30480.0


def test_a_load_is_judged_at_every_temperature_of_its_lane_unless_one_is_stated(
    store, ann, scenario
) -> None:
    # 15,500 LPA of 80.02 % are 19,370 L of the 24,000 at 20 degC, 80.7 %; surge asks for 80 %. At
    # 0 degC (875.97 for 859.27 kg/m3 at 80 % vol, OIML R 22) they fill 79.2 %.
    lanes = [
        one.model_copy(update={"minimum_filling_temperature_c": 0.0}) for one in scenario.lanes
    ]
    wintry = scenario.model_copy(update={"lanes": tuple(lanes)})

    def is_open(session, found, temperature=None):
        load = find_load(session, "A-1")
        gates = load_gates(session, load, found, on=LOADING, temperature_c=temperature)
        (gate,) = (one for one in gates if one.kind is LoadGateKind.FILL)
        return gate.is_open, gate.reason.partition(";")[0]

    with store.write(ann) as session:
        record(session, a_load(parts=(a_part([("VK-DRY-2641", 15_500, "80.02")]),)))
        assert is_open(session, scenario) == (True, "15500.000 LPA at 20 degC")
        assert is_open(session, wintry) == (False, "15500.000 LPA at 0 degC")
        assert is_open(session, wintry, 20.0) == (True, "15500.000 LPA at 20 degC")


def test_compartments_that_surge_are_filled_each_lawfully(scenario) -> None:
    # 9,000 L surge and are at least 80 % full, 6,000 L half of the most. 11,000 L are
    # 73 % of each by capacity: unlawful in the large one, so it takes more and the small one less.
    tank = TankType(
        id="T2", regime="adr_tank_vented", capacity_litres=15_000.0, tare_kg=6_900.0,
        maximum_gross_kg=34_000.0,
        compartments=tuple(Compartment(capacity_litres=one) for one in (9_000.0, 6_000.0)),
    )  # fmt: skip
    ways = Ways.of(scenario.model_copy(update={"tank_types": (*scenario.tank_types, tank)}))
    part = a_part([("L", "8000", "80")], compartments_litres=(Decimal(9000), Decimal(6000)))
    fill = fill_of_part(ways, "graz-by-road", "T2", part, temperature_c=20.0)
    large, small = fill.spread(11_000.0)
    assert large + small == pytest.approx(11_000.0)
    assert large >= 0.8 * 9_000.0
    assert fill.ranges[1].min_litres <= small <= fill.ranges[1].max_litres
    assert fill.spread(fill.least_litres)[0] == pytest.approx(7_200.0)


def test_compartments_are_filled_each_by_its_own_range(store, ann, scenario) -> None:
    parts = (
        a_part([("VK-DRY-2641", "6900", "80.02")], compartments_litres=(Decimal(9000),)),
        a_part([("VK-CIT-2641", "6800", "79.03")], "VK-CIT", compartments_litres=(Decimal(9000),)),
    )
    days = {
        "leaving_day": date(2027, 1, 11),
        "arrival_day": date(2027, 1, 15),
        "discharge_day": date(2027, 1, 18),
        "usable_day": date(2027, 1, 18),
    }
    with store.write(ann) as session:
        load = a_load(lane_id="graz-by-road", destination="GRAZ", market="AT",
                      tank_type="ROAD-3C", parts=parts, **days)  # fmt: skip
        record(session, load)
        accept(session)
        sheet = load_sheet(session, scenario, "A-1")
    assert [part.capacity_litres for part in sheet.parts] == [9000.0, 9000.0]
    assert sheet.journey.mode == "road"
    assert sheet.journey.limit is not None
    assert sheet.journey.limit.days == 35
    assert sheet.guarantees[0].this_load == Decimal("300030.00")  # 13,700 LPA x EUR 21.90


@settings(max_examples=20)
@given(
    shares=st.lists(
        st.tuples(
            st.integers(1, 20_000_000).map(lambda n: Decimal(n) / 1000),
            st.integers(60_000, 96_500).map(lambda n: Decimal(n) / 1000),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_a_mixture_keeps_mass_and_alcohol(shares) -> None:
    made = mix(shares)
    alone = [mix([share]) for share in shares]
    assert made.lpa == pytest.approx(float(sum(lpa for lpa, _ in shares)))
    assert made.mass_kg == pytest.approx(sum(one.mass_kg for one in alone))
    assert float(lpa_from_mass(made.mass_kg, made.strength_percent)) == pytest.approx(
        made.lpa, rel=1e-9
    )
    low, high = min(s for _, s in shares), max(s for _, s in shares)
    assert float(low) - 1e-9 <= made.strength_percent <= float(high) + 1e-9
    assert made.litres_20c * made.strength_percent / 100.0 == pytest.approx(made.lpa, rel=1e-9)


def test_the_arrival_sheet_of_a_load(issued, ann, scenario) -> None:
    with issued.write(ann) as session:
        sample = Sample(lot_id="VK-DRY-2641", sample_id="R-1", taken_on=date(2026, 11, 30))
        keep_sample(session, sample)
        sheet = arrival_sheet(
            session, scenario, "A-1", Wanted(temperature_c=28.0, via=(60.0, 50.0))
        )
    (part,) = sheet.parts
    assert part.loss_percent == 0.1
    assert part.expected.lpa == pytest.approx(17900.0 * 0.999)
    assert float(strength_from_hydrometer(part.hydrometer_percent, 28.0)) == pytest.approx(
        part.expected.strength_percent, abs=1e-6
    )
    assert [one.sample_id for one in part.retained] == ["R-1"]
    assert sheet.allowance is not None
    assert sheet.allowance.percent == 1.0
    (bottling,) = part.bottlings
    assert bottling.product.id == "DRY-750"
    assert [round(s.after.strength_percent, 2) for s in bottling.stages] == [60.0, 50.0, 43.07]
    last = bottling.stages[-1].after
    assert last.lpa == pytest.approx(part.expected.lpa, rel=1e-9)
    assert bottling.bottles == int(bottling.litres_20c * 0.996 / 0.75)
    assert bottling.cases == bottling.bottles // 6
    assert bottling.low_percent == pytest.approx(bottling.target.strength_percent - 0.3, abs=0.01)
    assert bottling.size_allowed
    page = text_of(arrival_html(sheet))
    assert f"{bottling.bottles:,} bottles" in page
    assert "Cover, rest 15 minutes" in page


def test_let_down_at_the_receiver(store, ann, scenario) -> None:
    load = a_load(
        lane_id="riga-durban",
        destination="DURBAN",
        market="ZA",
        parts=(a_part([("VK-BASE-2641", 18000, "81.02")], "VK-BASE"),),
    )
    with store.write(ann) as session:
        record(session, load)
        sheet = arrival_sheet(session, scenario, "A-1", Wanted(product="DRY-700"))
    (part,) = sheet.parts
    assert part.recipe is not None
    (cane,) = part.let_down
    # 40 % of the LPA are the distillate's, 60 % cane spirit's; 0.15 % is lost on the way
    assert cane.added.lpa == pytest.approx(18000.0 * 0.9985 * 60 / 40)
    assert part.blended.lpa == pytest.approx(18000.0 * 0.9985 / 0.4 * 0.999, rel=1e-9)
    assert [one.product.id for one in part.bottlings] == ["DRY-700"]
    assert "let-down-durban" in arrival_html(sheet)


def test_a_measured_batch_gets_its_correction(issued, scenario) -> None:
    with issued.read() as session:
        strong = Wanted(measured_percent=43.5, batch_litres=10_000.0)
        (part,) = arrival_sheet(session, scenario, "A-1", strong).parts
        found = part.bottlings[0].measured
        assert found is not None
        assert found.kind == "water"
        lpa = float(lpa_from_volume(10_000.0, 43.5, 20.0))
        assert found.after.lpa == pytest.approx(lpa, rel=1e-9)
        weak = Wanted(measured_percent=42.5, batch_litres=10_000.0)
        (part,) = arrival_sheet(session, scenario, "A-1", weak).parts
        found = part.bottlings[0].measured
        assert found is not None
        assert found.kind == "spirit"


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (Wanted(product="DRY-70"), "product is 'DRY-70', which is not known"),
        (Wanted(via=(90.0,)), "via is 90 % vol, not between"),
        (Wanted(via=(40.0,)), "via is 40 % vol, not between"),
    ],
)
def test_what_the_receiver_cannot_ask(issued, scenario, wanted, words) -> None:
    with issued.read() as session, pytest.raises(InputError, match=words):
        arrival_sheet(session, scenario, "A-1", wanted)
