"""Taking over seed tables once, and refusing wrong ones with every fault at once."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bulkflow.errors import InputError
from bulkflow.lots.explaining import explain_lot
from bulkflow.lots.opening import opening_position
from bulkflow.lots.queries import list_lots
from bulkflow.lots.seeds import import_seeds
from bulkflow.lots.workspace import opening_of_workspace
from bulkflow.records import Actor, head, records_about, records_in, settings_for, verify
from bulkflow.records.actors import Appointment, Role
from bulkflow.records.errors import RefusedError
from bulkflow.records.store import change_role

from .making import a_rule, add, panel

TODAY = date(2026, 2, 1)
HEADER = (
    "lot_id,liquid_id,site_id,tank_id,litres_20c,strength_percent,status,decision_due,made_on,"
    "spirit_base,supplier_id,restrictions,note\n"
)
LOTS = HEADER + (
    "D-101,dry,still,T1,12000,78.5,released,,2026-01-02,cereal,S1,no-grape|kosher,\n"
    "D-102,dry,still,T2,9000,78.5,awaiting,2026-02-10,2026-01-20,cereal,,,\n"
    'D-103,dry,still,,9000.5,78.25,held,,2026-01-20,,,,"odd, ""solvent"" note"\n'
    "D-104,dry,still,T4,800,78.25,rejected,,,,,,\n"
)
LIMITS = (
    "liquid_id,analyte,unit,source,market,minimum,maximum,required\n"
    "dry,methanol,g/hL,house,,,30,\n"
    "dry,esters,g/hL,house,north,,10,no\n"
)
RESULTS = (
    "lot_id,analyte,value,unit,laboratory,measured_on\n"
    "D-101,methanol,12.5,g/hL,own,2026-01-03\n"
    "D-102,methanol,<0.5,g/hL,own,2026-01-21\n"
)
DECISIONS = (
    "lot_id,outcome,decided_on,decided_by,reason\n"
    "D-101,hold,2026-01-05,Ilse Marten,first sitting undecided\n"
    "D-101,release,2026-01-12,Ilse Marten,second sitting above 6\n"
)


def folder(path, lots=LOTS, **tables):
    (path / "opening_lots.csv").write_text(lots, encoding="utf-8")
    for name, text in tables.items():
        (path / f"{name}.csv").write_text(text, encoding="utf-8")
    return path


def all_tables(path):
    return folder(path, lab_limits=LIMITS, lab_results=RESULTS, earlier_decisions=DECISIONS)


def take_over(store, ann, path):
    with store.write(ann) as session:
        return import_seeds(session, path, today=TODAY)


def faults(store, ann, path):
    with pytest.raises(InputError) as told:
        take_over(store, ann, path)
    with store.read() as session:
        assert head(session).seq == 0  # nothing half-written
    return [str(fault) for fault in told.value.faults]


def test_all_tables_are_taken_over_once(register, ann, tmp_path):
    done = take_over(register, ann, all_tables(tmp_path))
    assert (done.lots, done.limits, done.results, done.decisions) == (4, 2, 2, 2)
    assert done.words == (
        "Took over 4 opening lots, 2 limits, 2 results and 2 decisions from opening_lots.csv, "
        "lab_limits.csv, lab_results.csv, earlier_decisions.csv; from now on the register is "
        "kept, and these tables are not read again."
    )
    assert take_over(register, ann, tmp_path) is None
    with register.read() as session:
        assert verify(session, register.kinds).broken is None
        lots = {line.lot_id: line for line in list_lots(session)}
        assert {name: line.status.value for name, line in lots.items()} == {
            "D-101": "released",
            "D-102": "awaiting",
            "D-103": "held",
            "D-104": "rejected",
        }
        one = lots["D-101"]
        assert (one.lpa, one.restrictions) == (Decimal("9420.000"), ("no-grape", "kosher"))
        assert one.made_on == date(2026, 1, 2)
        decisions = records_about(session, "D-101", kinds=["decision"])
        assert [record.content["outcome"] for record in decisions] == ["hold", "release"]
        source = decisions[-1].content["evidence"]["source"]
        assert (source["table"], source["line"]) == ("earlier_decisions.csv", 3)
        assert source["cells"]["decided_by"] == "Ilse Marten"
        first = next(records_in(session))
        assert first.kind == "seed import"
        assert [item["rows"] for item in first.content["files"]] == [4, 2, 2, 2]


@pytest.mark.full
def test_the_opening_position(register, ann, tmp_path):
    take_over(register, ann, folder(tmp_path))
    with register.write(ann) as session:
        add(session, "D-200", 100, 50, parents={"D-101": 20}, made_on=date(2026, 3, 1))
    with register.read() as session:
        position = opening_position(session, TODAY)
        told = [(x.lot_id, x.status, x.lpa, x.expected_release, x.reason) for x in position]
        assert told == [
            (
                "D-101",
                "released",
                Decimal("9400.000"),
                None,
                "release, decided before the register began: listed as released in "
                "opening_lots.csv (record 6)",
            ),
            (
                "D-102",
                "awaiting",
                Decimal("7065.000"),
                date(2026, 2, 10),
                "no decision was taken; decision due 2026-02-10",
            ),
            (
                "D-103",
                "held",
                Decimal("7042.891"),
                None,
                'held: odd, "solvent" note (record 8); no decision was taken',
            ),
            (
                "D-104",
                "rejected",
                Decimal("626.000"),
                None,
                "reject, decided before the register began: listed as rejected in "
                "opening_lots.csv (record 9)",
            ),
        ]
        later = {x.lot_id: x for x in opening_position(session, date(2026, 4, 1))}
        assert "D-200" in later  # made by then
        overdue = later["D-102"]
        assert (overdue.status, overdue.expected_release) == ("awaiting", None)
        assert overdue.reason.endswith(
            "the decision was due on 2026-02-10 and is overdue, no new date"
        )


def test_a_released_opening_lot_needs_no_results_of_that_time_but_must_keep_to_limits(
    lite, ann, tmp_path
):
    results = RESULTS.replace("12.5", "44")
    take_over(lite, ann, folder(tmp_path, lab_limits=LIMITS, lab_results=results))
    with lite.read() as session:
        states = {line.lot_id: line.status.value for line in list_lots(session)}
        assert states["D-101"] == "held"
        assert "44 g/hL is outside" in explain_lot(session, "D-101").gates[0].reason


def test_an_awaiting_lot_is_released_by_the_panel(lite, ann, tmp_path):
    take_over(lite, ann, folder(tmp_path))
    with lite.write(ann) as session:
        a_rule(session)
        panel(session, "D-102")
        found = {x.lot_id: x for x in opening_position(session, TODAY)}
        assert (found["D-102"].status, found["D-102"].expected_release) == ("released", None)


def test_every_fault_of_every_table_is_told_at_once(lite, ann, tmp_path):
    path = folder(
        tmp_path,
        lots=HEADER
        + "D-101,dry,still,T1,0,78.5,released,,2026-02-30,cereal,,,\n"
        + "D-101,dry,,T1,12 000,100.5,free,,,,,,\n"
        + "=1+1,dry,still,T1,1e30,NaN,held,2026-03-01,,,,,\n"
        + "D-103,dry,still,T1,1000,50,released,2026-03-01,01/02/2026,,,,+x\n"
        + "D-104,dry,still,T1,1000.0001,50\n"
        + "D-105,dry,still,T1,1000.0001,50,,,,,,,\n",
        lab_limits="liquid_id,analyte,unit,source,market,minimum,maximum,required\n"
        "dry,methanol,g/hL,house,,,,\n"
        "dry,esters,g/hL,house,,5,3,maybe\n"
        "dry,methanol,g/hL,house,,,30,\n",
        lab_results="lot_id,analyte,value,unit\nX-9,methanol,much,g/hL\n",
        earlier_decisions="lot_id,outcome,decided_on,decided_by,reason\nD-103,perhaps,,Ilse,\n",
    )
    assert faults(lite, ann, path) == [
        "earlier_decisions.csv, line 2: decided_on is empty. Every row needs it.",
        "earlier_decisions.csv, line 2: outcome is the text 'perhaps'. "
        "It is release, hold or reject.",
        "earlier_decisions.csv, line 2: reason is empty. Every row needs it.",
        "lab_limits.csv, line 2: has neither minimum nor maximum. Correct it.",
        "lab_limits.csv, line 3: required is the text 'maybe'. It is yes or no.",
        "lab_limits.csv, line 4: analyte is on line 2 already for this liquid and market. "
        "Give each limit one row.",
        "lab_results.csv, line 2: lot_id is the text 'X-9', which is no opening lot. "
        "Name a lot of opening_lots.csv.",
        "lab_results.csv, line 2: value is the text 'much'. "
        "Write a number: a point for decimals, no separators, no unit.",
        "opening_lots.csv, line 2: litres_20c is 0. Give a number above 0.",
        "opening_lots.csv, line 2: made_on is the text '2026-02-30'. The calendar has no such day.",
        "opening_lots.csv, line 3: litres_20c is the text '12 000'. "
        "Write it without thousands separators.",
        "opening_lots.csv, line 3: lot_id 'D-101' is on line 2 already. Give each lot one row.",
        "opening_lots.csv, line 3: site_id is empty. Every row needs it.",
        "opening_lots.csv, line 3: status is the text 'free'. "
        "It is released, awaiting, held or rejected.",
        "opening_lots.csv, line 3: strength_percent is 100.5. "
        "Give a number above 0 and at most 100.",
        "opening_lots.csv, line 4: decision_due is 2026-03-01 for a lot that is held. "
        "Leave it empty.",
        "opening_lots.csv, line 4: litres_20c is the text '1e30'. "
        "Write a number of a size that can be.",
        "opening_lots.csv, line 4: lot_id starts with '=', as a formula does. "
        "Write the value itself; a table is never computed.",
        "opening_lots.csv, line 4: strength_percent is the text 'NaN'. "
        "Write a number: a point for decimals, no separators, no unit.",
        "opening_lots.csv, line 5: decision_due is 2026-03-01 for a lot that is released. "
        "Leave it empty.",
        "opening_lots.csv, line 5: made_on is the text '01/02/2026'. "
        "Write a day as year-month-day, such as 2027-01-04.",
        "opening_lots.csv, line 5: note is the text '+x'. "
        "A text does not start with = + - or @ (as a formula does).",
        "opening_lots.csv, line 6: has 6 cells where the header has 13. Fill up or take out cells; "
        "a text that holds the separator stands in quotes.",
        "opening_lots.csv, line 7: litres_20c is 1000.0001. Give at most three decimals.",
        "opening_lots.csv, line 7: status is empty. Every row needs it.",
    ]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "opening_lots.csv: is empty. Start it with a line of column names"),
        (b" \n\n", "opening_lots.csv: is empty. Start it with a line of column names"),
        (
            HEADER.encode() + "D-1,Gl\u00fch".encode("latin-1"),
            "opening_lots.csv, line 2: is not UTF-8 (byte 0xFC). Save it as UTF-8",
        ),
        (HEADER.encode("utf-32"), "opening_lots.csv: is encoded as UTF-32."),
        (HEADER.encode(), "opening_lots.csv: has a header but no rows. Add the lots."),
        (HEADER.encode() + b"a\x00b", "opening_lots.csv: holds zero bytes"),
        (
            HEADER.replace("lot_id", "lot_ids").encode(),
            "opening_lots.csv, line 1: lot_ids is not a column known here. Did you mean lot_id?",
        ),
        (
            HEADER.replace(",site_id", "").encode(),
            "opening_lots.csv, line 1: lacks the column site_id.",
        ),
        (
            HEADER.replace(",note", ",lot_id").encode(),
            "opening_lots.csv, line 1: lot_id is the name of two columns. Keep one of them.",
        ),
        (
            HEADER.encode() + b'D-1,"dry,still\n',
            "opening_lots.csv, line 2: cannot be read from here on (unexpected end of data).",
        ),
        (b"PK\x03\x04 workbook", "opening_lots.csv: is a packed file, as a workbook is."),
        (
            HEADER.encode() + b"<script>alert(1)</script>,dry,still,T1,1,50,held,,,,,,\n",
            "opening_lots.csv, line 2: lot_id is the text '<script>alert(1)</script>'. Start",
        ),
    ],
)  # fmt: skip
def test_a_file_that_is_no_table_is_told(lite, ann, tmp_path, data, says):
    (tmp_path / "opening_lots.csv").write_bytes(data)
    told = faults(lite, ann, tmp_path)
    assert any(text.startswith(says) for text in told), told


def test_a_folder_without_the_table_is_told(lite, ann, tmp_path):
    (told,) = faults(lite, ann, tmp_path)
    assert told.startswith("opening_lots.csv: is not in ")


def test_decisions_must_agree_with_the_status(lite, ann, tmp_path):
    lots = LOTS.replace("78.5,released", "78.5,rejected")
    assert faults(lite, ann, folder(tmp_path, lots, earlier_decisions=DECISIONS)) == [
        "opening_lots.csv, line 2: status is rejected, but the last decision on it is release. "
        "Make it agree with earlier_decisions.csv, line 3."
    ]


def test_semicolons_with_decimal_commas_and_a_mark_at_the_start(lite, ann, tmp_path):
    text = LOTS.replace(",", ";").replace("9000.5", "9000,5").replace('"odd; ', '"odd, ')
    text = text.replace("no-grape|kosher", "no-grape")
    (tmp_path / "opening_lots.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert take_over(lite, ann, tmp_path).lots == 4
    with lite.read() as session:
        assert list_lots(session)[2].litres_20c == Decimal("9000.500")


def test_who_may_not_take_over_is_refused(lite, ann, tmp_path):
    with lite.write(ann) as session:
        for person, role in (("Ann", Role.OWNER), ("Cal", Role.CLERK)):
            change_role(
                session, Appointment(person=person, role=role, action="appoint", reason="staff")
            )
    with pytest.raises(RefusedError, match="Cal may not take over opening lots"):
        take_over(lite, Actor("Cal", "cal"), folder(tmp_path))


cells = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)


@given(rows=st.lists(st.lists(cells, min_size=1, max_size=14), max_size=4))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_whatever_a_table_holds_it_is_taken_or_refused_plainly(lite, ann, tmp_path, rows):
    import csv

    with (tmp_path / "opening_lots.csv").open("w", encoding="utf-8", newline="") as stream:
        stream.write(HEADER)
        csv.writer(stream).writerows(rows)
    try:
        with lite.write(ann, keep=False) as session:
            done = import_seeds(session, tmp_path, today=TODAY)
        assert done.lots <= len(rows)
    except InputError as told:
        assert all(fault.mend for fault in told.faults)


# The workspace as the planner meets it ------------------------------------------------------


def test_a_workspace_without_register_or_tables_has_none(tmp_path):
    assert opening_of_workspace(tmp_path, TODAY) is None
    assert list(tmp_path.iterdir()) == []


def test_a_workspace_begins_its_register_once_and_says_so(tmp_path, ann):
    folder(tmp_path)
    first = opening_of_workspace(tmp_path, TODAY, actor=ann)
    assert first.said.startswith("Took over 4 opening lots")
    assert first.said.endswith("Acting as Ann (as named by the operating-system user ann).")
    assert first.register == str(tmp_path / "records.sqlite")
    assert [lot.lot_id for lot in first.lots] == ["D-101", "D-102", "D-103", "D-104"]
    (tmp_path / "opening_lots.csv").write_text("nonsense")
    second = opening_of_workspace(tmp_path, TODAY)
    assert second.said.startswith("opening_lots.csv was edited after the register took it over")
    assert (second.lots, second.head) == (first.lots, first.head)


def test_a_workspace_with_wrong_tables_leaves_no_lots_behind(tmp_path):
    folder(tmp_path, lots=LOTS.replace("12000", "lots"))
    with pytest.raises(InputError, match="litres_20c is the text 'lots'"):
        opening_of_workspace(tmp_path, TODAY)
    folder(tmp_path)
    assert len(opening_of_workspace(tmp_path, TODAY).lots) == 4


def test_a_workspace_may_name_another_database(tmp_path, database_url):
    folder(tmp_path)
    found = opening_of_workspace(tmp_path, TODAY, database=database_url)
    assert len(found.lots) == 4
    assert found.register == settings_for(tmp_path, database_url).shown


# Edits after the register began --------------------------------------------------------------


def test_edits_of_the_tables_are_told_by_row_and_with_the_way_out(tmp_path, ann):
    folder(tmp_path)
    assert opening_of_workspace(tmp_path, TODAY, actor=ann).said.startswith("Took over")
    assert opening_of_workspace(tmp_path, TODAY).said == ""
    table = tmp_path / "opening_lots.csv"
    rows = table.read_text().splitlines()
    names = {row.split(",")[0]: row for row in rows[1:]}
    changed = names["D-102"].replace("awaiting", "released")
    kept = [
        rows[0],
        names["D-101"],
        changed,
        names["D-104"],
        names["D-104"].replace("D-104", "D-9"),
    ]
    table.write_text("\n".join(kept))
    said = opening_of_workspace(tmp_path, TODAY).said
    assert said == (
        "opening_lots.csv was edited after the register took it over: changed D-102; added D-9;"
        " taken out D-103. The register keeps what it has; record there what is meant: bulkflow"
        f" lots add {tmp_path} LOT ... (with --correct for a lot that is there; its status by lots"
        " hold, lift or decide); then put the table aside, or back as it was."
    )
    # The same rows in another form are no edit.
    table.write_text("\r\n".join([rows[0], *reversed(rows[1:])]) + "\r\n")
    assert opening_of_workspace(tmp_path, TODAY).said == ""


def test_a_table_that_came_later_or_cannot_be_read_is_told(tmp_path, ann):
    folder(tmp_path)
    opening_of_workspace(tmp_path, TODAY, actor=ann)
    (tmp_path / "opening_lots.csv").write_text("nonsense")
    (tmp_path / "earlier_decisions.csv").write_text(
        "lot_id,outcome,decided_on,decided_by,reason\nD-102,release,2026-12-01,Ann,good\n"
    )
    first, second = opening_of_workspace(tmp_path, TODAY).said.splitlines()
    assert first.startswith("opening_lots.csv was edited after the register took it over, and is")
    assert "earlier_decisions.csv came after the register was begun: added D-102." in second
    assert f"bulkflow lots decide {tmp_path}" in second
