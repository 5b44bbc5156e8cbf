"""Results with their guard bands, suppliers' histories, instruments, and cases."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from bulkflow.account.certificate import certificate, certificate_html
from bulkflow.errors import InputError, PlanningError
from bulkflow.laboratory.conformity import Call
from bulkflow.lots.acts import record_results
from bulkflow.lots.analysis import analyses_of, supplier_history
from bulkflow.lots.bodies import CaseStep, Instrument, Result
from bulkflow.lots.cases import add_step, case_named, cases, open_case, trend
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.instruments import expiring, instruments, record_instrument, usual_expiry
from bulkflow.lots.queries import find_lot
from bulkflow.lots.result_tables import import_results

from .making import a_limit, a_rule, add, panel

DAY = date(2026, 11, 3)


def result(lot, value, **fields):
    given = {"lot_id": lot, "analyte": "methanol", "value": Decimal(value), "unit": "g/hl pa"}
    return Result(**{**given, **fields})


def limited(session, maximum="5"):
    a_limit(session, unit="g/hl pa", maximum=maximum)


@pytest.mark.parametrize(
    ("value", "u", "call", "repeats"),
    # guard band 1.645 u (EURACHEM/CITAC 2021): at most 5, u 0.25 accepts to 4.589
    [
        ("4.5", "0.25", Call.INSIDE, None), ("4.8", "0.25", Call.TOO_CLOSE, 5),
        ("5.3", "0.25", Call.TOO_CLOSE, 2), ("5.5", "0.25", Call.OUTSIDE, None),
    ],
)  # fmt: skip
def test_inside_outside_or_too_close(lite, ann, value, u, call, repeats) -> None:
    with lite.write(ann) as session:
        limited(session)
        add(session, "L1")
        record_results(session, [result("L1", value, uncertainty=Decimal(u))])
        (one,) = analyses_of(session, "L1")
        assert (one.judged.call, one.judged.repeats) == (call, repeats)
        assert not one.predicted


def test_an_uncertainty_that_is_not_stated_is_predicted(lite, ann) -> None:
    """Horwitz: 5 g/hl pa at 40 % vol has R of 1.416, so u of 0.506."""
    with lite.write(ann) as session:
        limited(session)
        add(session, "L1", strength=40)
        record_results(session, [result("L1", "20", unit="mg/l")])
        (one,) = analyses_of(session, "L1")
        assert one.value == pytest.approx(5.0)
        assert one.uncertainty == pytest.approx(1.416 / 2.8, abs=0.002)
        assert one.predicted
        assert one.judged.call is Call.TOO_CLOSE


def test_what_is_only_known_to_be_below_is_no_number(lite, ann) -> None:
    with lite.write(ann) as session:
        limited(session)
        add(session, "L1")
        record_results(session, [result("L1", "0.05", qualifier="<")])
        (one,) = analyses_of(session, "L1")
        assert one.judged is None


def test_a_supplier_over_time(lite, ann) -> None:
    with lite.write(ann) as session:
        for n, value in enumerate(["3.0", "3.1", "2.9", "3.0", "3.1", "2.9", "9.0"]):
            add(session, f"N{n}", supplier_id="OST", made_on=date(2026, 1, 1 + n))
            record_results(session, [result(f"N{n}", value, uncertainty=Decimal("0.1"))])
        certified = {"laboratory": "ost", "uncertainty": Decimal("0.1")}
        record_results(session, [result("N0", "3.2", **certified)])
        record_results(session, [result("N6", "3.0", **certified)])
        (one,) = supplier_history(session, "OST")
        assert one.chart.signals == (7,)
        assert one.upper > max(one.values[:6])
        # |3.2 - 3.0| against sqrt(0.2² + 0.2²) = 0.283, then 6.0
        assert [pair.agrees for pair in one.agreements] == [True, False]
        assert one.agreements[0].limit == pytest.approx(0.2828, abs=1e-4)


def test_laboratories_that_stand_out(lite, ann) -> None:
    """ISO 5725-2: Mandel's h of five laboratories at 5 % is 1.571."""
    with lite.write(ann) as session:
        add(session, "N1", supplier_id="OST")
        rows = [("A", "3.0"), ("A", "3.1"), ("B", "3.1"), ("B", "3.0"), ("C", "3.0"),
                ("C", "3.1"), ("D", "3.0"), ("D", "3.0"), ("E", "5.0"), ("E", "5.1")]  # fmt: skip
        record_results(session, [result("N1", v, laboratory=name) for name, v in rows])
        (one,) = supplier_history(session, "OST")
        assert one.laboratories[0].outside == ("E",)


def test_instruments_run_out(lite, ann) -> None:
    with lite.write(ann) as session:
        made = Instrument(
            instrument_id="DM-1", what="density meter", calibrated_on=DAY, certificate="K-1",
            expires_on=usual_expiry("density meter", DAY),
        )  # fmt: skip
        record_instrument(session, made)
        assert expiring(session, by=date(2027, 11, 2)) == []
        (one,) = expiring(session, by=date(2027, 11, 3))
        assert (one.name, one.what) == ("DM-1", "calibration")
        again = made.model_copy(update={"expires_on": date(2028, 1, 1)})
        record_instrument(session, again)
        assert [x.expires_on for x in instruments(session)] == [date(2028, 1, 1)]
        record_instrument(session, again.model_copy(update={"retired_on": DAY}))
        assert expiring(session, by=date(2030, 1, 1)) == []
    with pytest.raises(ValueError, match="before it was calibrated"):
        Instrument.model_validate({**made.model_dump(), "expires_on": "2020-01-01"})


def test_results_come_from_a_table_with_replicates(lite, ann, tmp_path) -> None:
    table = tmp_path / "results.csv"
    table.write_text(
        "lot_id,analyte,value,unit,uncertainty,replicate,instrument\n"
        "L1,methanol,4.1,g/hl pa,0.2,1,GC-1\nL1,furfural,<0.05,mg/l,,2,\n",
        "utf-8",
    )
    with lite.write(ann) as session:
        add(session, "L1")
        records = import_results(session, table)
        bodies = [record.content for record in records]
        assert [one["replicate"] for one in bodies] == [1, 2]
        assert bodies[1]["qualifier"] == "<"
        assert bodies[0]["instrument"] == "GC-1"


def test_a_certificate_is_for_an_open_lot_and_escapes_its_texts(lite, ann) -> None:
    with lite.write(ann) as session:
        limited(session)
        a_rule(session)
        add(session, "L1")
        record_results(session, [result("L1", "4", method="<script>alert(1)</script>")])
        with pytest.raises(PlanningError, match="L1 gets no certificate: decision"):
            certificate(session, "L1")
        panel(session, "L1")
        page = certificate_html(certificate(session, "L1"))
        assert "<script>" not in page
        assert "&lt;script&gt;" in page
        assert "at most 5" in page
        assert "4 g/hl pa" in page


def step(case="C-1", what="opened", on=DAY, words="cloudy", **fields):
    return CaseStep(case_id=case, step=what, on=on, words=words, **fields)


def opened(**fields):
    return step(what="opened", **{"about_kind": "lot", "about": "L1", "lots": ("L1",),
                                  **fields}, )  # fmt: skip


def test_a_case_from_its_opening_to_its_end(lite, ann) -> None:
    with lite.write(ann) as session:
        a_rule(session)
        add(session, "L1")
        panel(session, "L1")
        first = opened().model_copy(update={"what": "complaint", "topic": "haze"})
        open_case(session, first, hold=True)
        assert find_lot(session, "L1").status is LotStatus.HELD
        with pytest.raises(InputError, match="is open already"):
            open_case(session, first)
        moved = {"sample_id": "R-1", "seal": "114"}
        add_step(session, step(what="sample", from_hand="store", to_hand="courier", **moved))
        with pytest.raises(InputError, match="'courier' has R-1"):
            add_step(session, step(what="sample", from_hand="store", to_hand="lab", **moved))
        broken = {"sample_id": "R-1", "from_hand": "courier", "to_hand": "lab"}
        with pytest.raises(InputError, match="went out with '114'"):
            add_step(session, step(what="sample", seal="115", **broken))
        add_step(session, step(what="sample", words="new seal after opening", seal="115", **broken))
        with pytest.raises(InputError, match="is not decided"):
            add_step(session, step(what="closed"))
        with pytest.raises(InputError, match="before the step of"):
            add_step(session, step(what="note", on=date(2026, 11, 2)))
        add_step(session, step(what="decided", outcome="not justified"))
        add_step(session, step(what="closed", on=date(2026, 12, 1)))
        with pytest.raises(InputError, match="is closed"):
            add_step(session, step(what="decided", outcome="justified", on=date(2026, 12, 2)))
        found = case_named(session, "C-1")
        assert (found.state, found.outcome) == ("closed", "not justified")
        assert [one.to_hand for one in found.custody()["R-1"]] == ["courier", "lab"]
        assert trend(cases(session)) == [("2026-11", "haze", 1)]


def test_a_case_names_what_is_there(lite, ann) -> None:
    with lite.write(ann) as session:
        wrong = opened(lots=("NONE",)).model_copy(update={"what": "own check"})
        with pytest.raises(InputError, match="'NONE' is not in the register"):
            open_case(session, wrong)
        with pytest.raises(InputError, match="has no lot to hold"):
            open_case(session, wrong.model_copy(update={"lots": ()}), hold=True)
        with pytest.raises(InputError, match="'C-9' is not in the register"):
            add_step(session, step("C-9", what="note"))
