"""Recording, correcting and disposing of lots, samples, and the account in LPA."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from bulkflow.errors import InputError
from bulkflow.lots.account import account_of
from bulkflow.lots.acts import correct_lot, dispose, place_holds, record_lots, record_results
from bulkflow.lots.bodies import Disposition, Hold, Limit, Lot, Outcome, Result, Sample, Site
from bulkflow.lots.deciding import decide
from bulkflow.lots.declaring import declare_site, limits_of, rounding_of, rules_in_force, zone_of
from bulkflow.lots.parentage import ancestors_of
from bulkflow.lots.queries import LotFilter, count_by_status, find_lot, list_lots
from bulkflow.lots.samples import keep_sample, kept_samples, sample_gone
from bulkflow.records import Actor, RefusedError, head, records_about, records_in, verify
from bulkflow.records.actors import Appointment, Role
from bulkflow.records.store import change_role

from .making import UNIT, a_limit, a_lot, a_result, a_rule, add, lab_evidence, panel


def left(session, name):
    line = find_lot(session, name)
    account = account_of(session, name)
    assert sum(entry.lpa for entry in account.entries) == account.left == line.lpa_left
    return line.lpa_left


def reject(session, name):
    decide(
        session,
        lot_id=name,
        outcome=Outcome.REJECT,
        reason="taint",
        evidence=lab_evidence(name, "reject"),
    )


def disposal(name, way, lpa, **fields):
    return Disposition(
        lot_id=name, way=way, lpa=str(lpa), decided_on=date(2026, 2, 3), reason="tainted", **fields
    )


def test_a_child_draws_on_its_parents(register, ann):
    with register.write(ann) as session:
        add(session, "N1", 2000, 96, liquid="base")  # 1,920 LPA
        add(session, "N2", 1000, 96, liquid="base")  # 960 LPA
        add(session, "D1", 2000, 78, parents={"N1": 1000, "N2": "600.125"})
        assert left(session, "N1") == Decimal("920.000")
        assert left(session, "N2") == Decimal("359.875")
        assert left(session, "D1") == Decimal("1560.000")
        with pytest.raises(InputError) as refused:
            add(session, "D2", parents={"N1": "920.001", "N9": 1, "N2": "359.875"})
        assert [str(fault) for fault in refused.value.faults] == [
            "parent N1 of D2 has 920.000 LPA left, but 920.001 is drawn. "
            "Correct the amount, or the parent's.",
            "parent N9 of D2 is not in the register. Record the parent first, or correct its name.",
        ]
        add(session, "D2", parents={"N1": 920})
        assert left(session, "N1") == 0
        listed = list_lots(session, LotFilter(with_stock=True))
        assert [line.lot_id for line in listed] == ["D1", "D2", "N2"]


def test_lots_recorded_together_may_draw_on_each_other_but_not_twice(lite, ann):
    with lite.write(ann) as session:
        lots = [
            a_lot("N1", 1000, 96),
            a_lot("D1", 500, 80, parents={"N1": 500}),
            a_lot("D2", 500, 80, parents={"N1": 460}),
        ]
        record_lots(session, lots)
        assert left(session, "N1") == 0
    before = lots[0].model_copy(update={"lot_id": "N2"})
    more = [
        before,
        a_lot("D3", 500, 80, parents={"N2": 500}),
        a_lot("D4", 500, 80, parents={"N2": 461}),
    ]
    says = r"parent N2 of D4 has 460\.000 LPA left"
    with pytest.raises(InputError, match=says), lite.write(ann) as session:
        record_lots(session, more)
    with lite.read() as session:
        assert [line.lot_id for line in list_lots(session)] == ["D1", "D2", "N1"]


def test_a_name_is_taken_once(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        with pytest.raises(InputError, match="'L1' is in the register already"):
            add(session, "L1")
        with pytest.raises(InputError, match="'L2' is in the register already"):
            record_lots(session, [a_lot("L2"), a_lot("L2")])


def test_a_correction_supersedes_and_is_checked(register, ann):
    with register.write(ann) as session:
        add(session, "N1", 1000, 96)
        add(session, "N2", 1000, 96)
        first = add(session, "D1", 1000, 80, parents={"N1": 500})
        add(session, "E1", 500, 80, parents={"D1": 300})
        record = correct_lot(
            session, a_lot("D1", 1000, 79, site="depot", parents={"N1": 400, "N2": 200})
        )
        assert record.supersedes == first.seq
        assert find_lot(session, "D1").site_id == "depot"
        assert (left(session, "N1"), left(session, "N2")) == (Decimal(560), Decimal(760))
        assert left(session, "D1") == Decimal(490)
        with pytest.raises(InputError) as refused:
            correct_lot(session, a_lot("D1", 100, 79, parents={"E1": 1}))
        assert [str(fault) for fault in refused.value.faults] == [
            "lpa is 79.000, but 300.000 was taken from D1 already. Give at least 300.000.",
            "parents E1 was made from D1. Name another parent.",
        ]
        with pytest.raises(InputError, match="'D9' is not in the register"):
            correct_lot(session, a_lot("D9"))
        # Nothing is forgotten: both descriptions are among the records.
        assert len(records_about(session, "D1", kinds=["lot"])) == 2


def test_a_rejected_lot_gives_only_what_is_disposed_of(register, ann):
    with register.write(ann) as session:
        add(session, "D1", 1000, 80)
        with pytest.raises(InputError, match="D1 is awaiting, not rejected"):
            dispose(session, disposal("D1", "redistil", 100))
        add(session, "E0", 300, 80, parents={"D1": 50})  # drawn before it was rejected
        reject(session, "D1")
        with pytest.raises(InputError, match=r"parent D1 of E1 is rejected, and 100\.000 LPA"):
            add(session, "E1", 300, 80, parents={"D1": 100})
        one = dispose(session, disposal("D1", "redistil", 150))
        assert left(session, "D1") == Decimal(600)
        add(session, "E1", 300, 80, parents={"D1": 100})
        assert left(session, "D1") == Decimal(600)  # counted once, with the disposition
        assert account_of(session, "D1").drawn_from_disposed == Decimal(100)
        with pytest.raises(InputError, match=r"60\.000 LPA of it is not disposed of"):
            add(session, "E2", 300, 80, parents={"D1": 60})
        two = dispose(session, disposal("D1", "blend away", 60))
        add(session, "E2", 300, 80, parents={"D1": 60})
        with pytest.raises(InputError, match=r"is 540\.001, but 540\.000 is left of D1"):
            dispose(session, disposal("D1", "redistil", "540.001"))
        dispose(
            session,
            disposal("D1", "destroy under supervision", 540, supervised_by="officer of excise"),
        )
        assert left(session, "D1") == 0
        assert account_of(session, "D1").drawn_from_disposed == Decimal(160)
        # 50 LPA to be redistilled are not drawn yet; what was destroyed is not to be had.
        with pytest.raises(InputError, match=r"50\.001 LPA of it is not disposed of"):
            add(session, "E3", 300, 80, parents={"D1": "50.001"})
        add(session, "E3", 300, 80, parents={"D1": 50})
        links = [record.content["parents"] for record in records_about(session, "E3")]
        assert links == [[{"lot_id": "D1", "lpa": "50.000", "disposition": one.seq}]]
        assert two.seq > one.seq


def test_destruction_names_who_supervised():
    with pytest.raises(ValidationError, match="without the supervising officer's name"):
        disposal("D1", "destroy under supervision", 10)


def test_samples_are_kept_and_written_off(register, ann):
    with register.write(ann) as session:
        add(session, "L1")
        add(session, "L2")

        def sample(name, lot="L1", **fields):
            return Sample(lot_id=lot, sample_id=name, taken_on=date(2026, 1, 5), **fields)

        keep_sample(session, sample("S1", expires_on=date(2028, 1, 5), seal="771"))
        keep_sample(session, sample("S2", lot="L2", expires_on=date(2027, 1, 5)))
        keep_sample(session, sample("S3"))
        assert [s.sample_id for s in kept_samples(session)] == ["S2", "S1", "S3"]
        assert [s.sample_id for s in kept_samples(session, lot_id="L1")] == ["S1", "S3"]
        by = kept_samples(session, expiring_by=date(2027, 12, 31))
        assert [s.sample_id for s in by] == ["S2"]
        with pytest.raises(InputError, match="'S1' is kept already"):
            keep_sample(session, sample("S1"))
        with pytest.raises(InputError, match="is 2025-01-01, before the sample was taken"):
            keep_sample(session, sample("S4", expires_on=date(2025, 1, 1)))
        with pytest.raises(InputError, match="'L9' is not in the register"):
            keep_sample(session, sample("S4", lot="L9"))
        sample_gone(session, "S2", date(2026, 6, 1), "used up in a retest")
        assert [s.sample_id for s in kept_samples(session)] == ["S1", "S3"]
        with pytest.raises(InputError, match="was written off on 2026-06-01"):
            sample_gone(session, "S2", date(2026, 6, 2), "again")
        with pytest.raises(InputError, match="'S9' is not in the register"):
            sample_gone(session, "S9", date(2026, 6, 2), "again")


def test_acts_on_lots_that_are_not_there_name_all_of_them(lite, ann):
    with lite.write(ann) as session:
        add(session, "D-101")
        with pytest.raises(InputError) as refused:
            place_holds(session, ["X1", "D-101", "X2"], "all of them")
        assert [fault.found for fault in refused.value.faults] == [
            "'X1' is not in the register",
            "'X2' is not in the register",
        ]
        with pytest.raises(InputError, match="'X3' is not in the register"):
            record_results(session, [Result(lot_id="X3", analyte="methanol", value="1", unit=UNIT)])
        with pytest.raises(InputError, match=r"Did you mean D-101\?"):
            find_lot(session, "D-110")


def test_a_site_gives_records_its_zone_and_rounding(register, ann):
    with register.write(ann) as session:
        declare_site(session, Site(site_id="still", zone="Europe/Lisbon", rounding="down-0.1"))
        assert zone_of(session, "still") == "Europe/Lisbon"
        assert rounding_of(session, "still").name == "down-0.1"
        assert rounding_of(session, "depot").name == "nearest-0.001"
        records = record_lots(
            session, [a_lot("L1"), a_lot("L2", site="depot"), a_lot("L3"), a_lot("L4")]
        )
        assert [record.zone for record in records] == [
            "Europe/Lisbon",
            "UTC",
            "Europe/Lisbon",
            "Europe/Lisbon",
        ]
        (one, two) = place_holds(session, ["L1", "L2"], "test")
        assert (one.zone, two.zone) == ("Europe/Lisbon", "UTC")
        declare_site(session, Site(site_id="still", zone="Asia/Tokyo", rounding="down-1"))
        assert zone_of(session, "still") == "Asia/Tokyo"
        assert a_result(session, "L1", 3).zone == "Asia/Tokyo"
        with pytest.raises(InputError) as refused:
            declare_site(session, Site(site_id="x", zone="Moon/Base", rounding="up"))
        assert [fault.where for fault in refused.value.faults] == ["rounding", "zone"]


def test_limits_and_rules_in_force_are_listed(lite, ann):
    with lite.write(ann) as session:
        a_limit(session)
        a_limit(session, maximum="25")
        a_limit(session, market="north", maximum="10")
        a_limit(session, liquid="base")
        assert [(x.liquid_id, x.market, x.maximum) for x in limits_of(session)] == [
            ("base", None, Decimal(30)),
            ("dry", None, Decimal(25)),
            ("dry", "north", Decimal(10)),
        ]
        assert len(limits_of(session, "dry")) == 2
        a_rule(session)
        a_rule(session, version=2)
        a_rule(session, liquid="base", decided_by="laboratory")
        found = [(x.rule.liquid_id, x.rule.rule_version) for x in rules_in_force(session)]
        assert found == [("base", 1), ("dry", 2)]
        with pytest.raises(InputError, match="is 2, but 2 is in force"):
            a_rule(session, version=2)


def test_lists_are_filtered_and_paged(register, ann):
    with register.write(ann) as session:
        for number in range(6):
            add(
                session,
                f"L{number}",
                liquid="dry" if number % 2 else "navy",
                site="still" if number < 3 else "depot",
                tank_id=f"T{number}",
                supplier_id="S1" if number == 4 else None,
                spirit_base="grape" if number == 5 else "cereal",
                restrictions=("no-grape", "kosher") if number == 1 else (),
                markets=("south", "north") if number == 2 else (),
            )

        def names(**fields):
            return [line.lot_id for line in list_lots(session, LotFilter(**fields))]

        assert names(liquid_id="dry") == ["L1", "L3", "L5"]
        assert names(liquid_id="dry", site_id="still") == ["L1"]
        assert names(tank_id="T3") == ["L3"]
        assert names(supplier_id="S1") == ["L4"]
        assert names(spirit_base="grape") == ["L5"]
        assert names(restriction="kosher") == ["L1"]
        assert names(market="north") == ["L2"]
        assert names(liquid_id="none") == []
        assert [line.lot_id for line in list_lots(session, after="L2", limit=2)] == ["L3", "L4"]
        one, two = find_lot(session, "L1"), find_lot(session, "L2")
        assert (one.restrictions, two.markets) == (("no-grape", "kosher"), ("south", "north"))
        assert sum(count_by_status(session).values()) == 6


# Roles -------------------------------------------------------------------------------------


@pytest.fixture
def staffed(lite, ann):
    with lite.write(ann) as session:
        add(session, "L1")
        a_rule(session)
        for person, role in (
            ("Ann", Role.OWNER),
            ("Cal", Role.CLERK),
            ("Lab", Role.LABORATORY),
            ("Pia", Role.PANEL_LEADER),
            ("Rob", Role.RELEASE_OFFICER),
        ):
            change_role(
                session, Appointment(person=person, role=role, action="appoint", reason="staff")
            )
    return lite


ACTS = {
    "record": lambda s: add(s, "L2"),
    "measure": lambda s: a_result(s, "L1", 1),
    "limit": lambda s: a_limit(s),
    "hold": lambda s: place_holds(s, ["L1"], "test"),
    "panel": lambda s: panel(s, "L1", "hold"),
    "laboratory": lambda s: reject(s, "L1"),
    "site": lambda s: declare_site(s, Site(site_id="s", zone="UTC", rounding="down-1")),
}
MAY = {
    "Nobody": set(),
    "Cal": {"record"},
    "Lab": {"record", "measure", "hold", "laboratory"},
    "Pia": {"record", "hold", "panel"},
    "Rob": set(ACTS),
    "Ann": set(ACTS),
}


@pytest.mark.parametrize("person", MAY)
def test_each_role_may_do_its_part_and_refusals_are_recorded(staffed, person):
    actor = Actor(person, "shared-desk")
    for name, act in ACTS.items():
        with staffed.read() as session:
            before = head(session).seq
        if name in MAY[person]:
            with staffed.write(actor, keep=False) as session:
                made = act(session)
                record = (
                    made[0] if isinstance(made, list) else made or list(records_in(session))[-1]
                )
                assert (record.actor, record.account) == (person, "shared-desk")
            continue
        with (
            pytest.raises(RefusedError, match=f"{person} may not"),
            staffed.write(actor) as session,
        ):
            act(session)
        with staffed.read() as session:
            assert head(session).seq == before + 1
            refusal = next(records_in(session, after=before))
            assert (refusal.kind, refusal.actor) == ("refusal", person)
    with staffed.read() as session:
        assert verify(session, staffed.kinds).broken is None


# Hostile texts and amounts -----------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "",
        " ",
        "=cmd",
        "+1",
        "-1",
        "@x",
        "<b>",
        "a\nb",
        "a\x00b",
        "a'; DROP TABLE lot",
        "x" * 81,
        "é\u202e",
    ],
)
def test_names_that_would_do_harm_are_refused(name):
    with pytest.raises(ValidationError):
        Hold(lot_id=name, reason="x")


@pytest.mark.parametrize("name", ["D-101", "Ø 7/2", "N.12 (b)", "Lot #3", "2026_04"])
def test_usual_names_are_taken(name):
    assert Hold(lot_id=name, reason="x").lot_id == name


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"maximum": None}, "neither minimum nor maximum"),
        ({"minimum": "5", "maximum": "4"}, "minimum 5.000000 above maximum 4.000000"),
        ({"maximum": "NaN"}, "finite"),
        ({"maximum": "1e400"}, "above 1000000000"),
    ],
)
def test_limits_make_sense(fields, says):
    with pytest.raises(ValidationError, match=says):
        Limit(liquid_id="dry", analyte="a", unit="u", source="s", **fields)


def test_a_lot_names_each_parent_once_and_never_itself():
    body = a_lot("L1").model_dump()
    for parents, says in (
        ([{"lot_id": "N", "lpa": "1"}, {"lot_id": "N", "lpa": "2"}], "names a parent twice"),
        ([{"lot_id": "L1", "lpa": "1"}], "names itself as its parent"),
    ):
        with pytest.raises(ValidationError, match=says):
            Lot.model_validate({**body, "parents": parents})


@pytest.mark.full
@given(
    draws=st.lists(
        st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(1, 400_000)), max_size=15
    )
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_no_lpa_is_made_or_lost_by_drawing(lite, ann, draws):
    with lite.write(ann, keep=False) as session:
        record_lots(session, [a_lot(f"N{n}", 1000, 50) for n in range(6)])
        drawn = Decimal(0)
        for number, (one, other, thousandths) in enumerate(draws):
            lpa = Decimal(thousandths).scaleb(-3)
            parents = {f"N{n}": lpa for n in {one, other}}
            try:
                add(session, f"D{number}", 100, 50, parents=parents)
            except InputError:
                assert any(find_lot(session, name).lpa_left < lpa for name in parents)
                continue
            drawn += lpa * len(parents)
            shares = sum(relation.share for relation in ancestors_of(session, f"D{number}"))
            assert abs(shares - 1) < Decimal("0.00001")
        remaining = [find_lot(session, f"N{n}").lpa_left for n in range(6)]
        assert all(amount >= 0 for amount in remaining)
        assert sum(remaining) == 6 * 500 - drawn
