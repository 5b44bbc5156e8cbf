"""The commands on the register, through the real command line and database."""

import json
import os
import re
import shlex
import shutil

import pytest

from bulkflow.cli import app as APP
from bulkflow.cli.shell import run
from bulkflow.records.actors import current_account

from .making import lab_evidence
from .test_seeds import LOTS

ME = current_account()


@pytest.fixture
def desk(tmp_path, monkeypatch, capsys):
    """A folder with a workspace 'demo', and a function that runs a command line in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / "opening_lots.csv").write_text(LOTS, encoding="utf-8")

    def bulkflow(line, code=0):
        found = run(APP, shlex.split(line), name="bulkflow")
        out, err = capsys.readouterr()
        assert found == code, f"{line}\n{out}\n{err}"
        assert "Traceback" not in err
        return out, err

    bulkflow.folder = tmp_path
    return bulkflow


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """The file of a register that took over the opening lots."""
    folder = tmp_path_factory.mktemp("begun")
    (folder / "opening_lots.csv").write_text(LOTS, encoding="utf-8")
    assert run(APP, ["lots", "begin", str(folder)], name="bulkflow") == 0
    return folder / "records.sqlite"


def test_a_register_from_its_beginning_to_a_release(desk):
    _, err = desk("lots list demo", code=2)
    assert "there is no register at demo/records.sqlite" in err
    out, err = desk("lots begin demo --dry-run")
    assert out.startswith("Took over 4 opening lots")
    assert "Dry run: nothing was kept." in err
    assert not (desk.folder / "demo" / "records.sqlite").exists()
    out, err = desk("lots begin demo")
    assert err == (
        f"Acting as {ME} (the operating-system user), in any role: no owner is appointed yet.\n"
    )
    _, err = desk("lots begin demo", code=2)
    assert "holds lots already" in err
    out, _ = desk("lots list demo")
    assert out.splitlines() == [
        "Lot    Liquid  Where     LPA left  % vol  Status    Decision due",
        "────────────────────────────────────────────────────────────────",
        "D-101  dry     still/T1     9,420   78.5  released              ",
        "D-102  dry     still/T2     7,065   78.5  awaiting  2026-02-10  ",
        "D-103  dry     still        7,043   78.2  held                  ",
        "D-104  dry     still/T4       626   78.2  rejected              ",
        "",
        "Of all that fit: 1 released, 1 awaiting, 1 held, 1 rejected.",
    ]
    out, _ = desk("lots why demo D-103")
    told, _, following = out.partition("\nNext\n")
    assert "\n  bulkflow lots lift demo D-103 --reason WHY\n" in following
    assert re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d", "TIME", told).splitlines() == [
        "D-103 (dry, 7,043 LPA left) may not ship: held.",
        "",
        "laboratory: open",
        "  no limits are declared for dry: nothing to keep to",
        "",
        "decision: CLOSED",
        "  no decision was taken",
        "",
        "hold: CLOSED",
        '  held: odd, "solvent" note (record 8)',
        f"    record 8, TIME UTC, {ME} (all roles, no owner appointed)",
    ]
    desk("lots why demo D-103 --gate", code=3)
    desk('lots lift demo D-103 --reason "retest clean" --as "Ilse Marten"')
    desk('lots rule demo dry lab 1 --decided-by laboratory --words "inside limits"')
    evidence = lab_evidence(
        "D-103", rule={"rule_id": "lab", "rule_version": 1, "words": "inside limits"}
    )
    (desk.folder / "evidence.json").write_text(json.dumps(evidence))
    desk("lots decide demo evidence.json --reason clean")
    out, _ = desk("lots why demo D-103 --gate")
    assert out.startswith("D-103 (dry, 7,043 LPA left) may ship: released.")
    out, _ = desk("records log demo --about D-103 --json")
    history = json.loads(out)["records"]
    assert [record["kind"] for record in history] == ["lot", "hold", "lift", "decision"]
    assert [record["actor"] for record in history] == [ME, ME, "Ilse Marten", ME]
    assert {record["account"] for record in history} == {ME}


def test_a_lot_is_measured_traced_and_shown(desk):
    desk("lots begin demo")
    desk("lots site demo still --zone Europe/Lisbon --rounding down-0.01")
    line = (
        "lots add demo D-200 --liquid dry --site still --tank T9 --hydrometer 78.4 "
        "--sample-temperature 17.5 --volume 9000 --volume-temperature 12.5 --parent D-101=5000 "
        "--market north --base cereal --note 'second vatting' --made-on 2026-02-01"
    )
    out, err = desk(line + " --dry-run --json")
    document = json.loads(out)
    assert document["kept"] is False
    assert document["records"][0]["zone"] == "Europe/Lisbon"
    out, _ = desk(line)
    lpa = re.match(r"D-200: (\d+\.\d\d0) LPA at 79\.1\d\d % vol \(record 11\)\.", out)
    assert lpa, out
    out, _ = desk("lots show demo D-200")
    assert "alcoholometer 78.400 % vol at 17.500 °C" in out
    assert "9000.000 L at 12.500 °C" in out
    assert f"{lpa[1]}, rounded down-0.01" in out
    assert "Europe/Lisbon" in out
    out, _ = desk("lots trace demo D-200")
    assert re.search(r"1  D-101  dry     still  S1 +[\d,.]+  100\.0 %", out), out
    assert "Beyond D-200: lots made from it: nothing was made of it." in out
    out, _ = desk("lots trace demo D-101 --json")
    trace = json.loads(out)
    assert [item["lot_id"] for item in trace["beyond"]] == ["D-200"]
    assert trace["links"] == [{"parent_id": "D-101", "child_id": "D-200", "lpa": "5000.000"}]
    out, _ = desk("lots hold demo D-101 --reason recall --beyond")
    assert out == "Hold placed on D-101, D-200 (records 12 to 13).\n"
    out, _ = desk("lots list demo --status held --json")
    listed = json.loads(out)
    assert [lot["lot_id"] for lot in listed["lots"]] == ["D-101", "D-103", "D-200"]
    assert listed["lots"][2]["lpa"] == lpa[1]
    _, err = desk(line.replace("D-200", "D-201").replace("=5000", "=4420.001"), code=2)
    assert "parent D-101 of D-201 has 4420.000 LPA left, but 4420.001 is drawn" in err
    desk(line.replace("=5000", "=6000") + " --correct")
    out, _ = desk("lots show demo D-101 --json")
    shown = json.loads(out)
    assert shown["account"]["left"] == shown["lot"]["lpa_left"] == "3420.000"


def test_results_limits_and_overrides(desk):
    desk("lots begin demo")
    desk("lots limit demo dry methanol g/hL --maximum 30 --source 'house rule'")
    desk("lots limit demo dry methanol g/hL --maximum 10 --market north --source 'their law'")
    desk("lots result demo D-101 methanol 44 g/hL")
    out, _ = desk("lots why demo D-101 --json")
    why = json.loads(out)
    assert (why["may_ship"], why["status"]) == (False, "held")
    assert why["gates"][0]["reason"] == "methanol 44 g/hL is outside at most 30 g/hL (record 12)"
    desk("lots override demo D-101 --gate laboratory --role 'release officer' --reason dilution")
    out, _ = desk("lots list demo")
    assert "released!" in out
    assert "! a gate of this lot was overridden once" in out
    out, _ = desk("lots why demo D-101")
    assert "laboratory: overridden" in out
    assert "Override for ever on record: override of laboratory by" in out
    out, _ = desk("lots result demo D-101 methanol '<0.5' g/hL --replaces 12 --note 'wrong flask'")
    out, _ = desk("lots why demo D-101")
    assert "1 check, all inside the limits" in out
    out, _ = desk("lots limits demo")
    assert re.search(r"dry +north +methanol +10  g/hL +11", out)


def test_a_table_of_results_is_recorded_whole_or_not_at_all(desk):
    desk("lots begin demo")
    table = desk.folder / "certificates.csv"
    table.write_text(
        "lot_id,analyte,value,unit,laboratory\n"
        "D-101,methanol,12.5,g/hL,own\nD-102,methanol,<0.5,g/hL,own\n"
    )
    out, _ = desk("lots results demo certificates.csv")
    assert out == "2 results from certificates.csv (records 10 to 11).\n"
    head = desk("records head demo")
    table.write_text(
        "lot_id,analyte,value,unit\nD-101,methanol,1,g/hL\nX-1,methanol,2,g/hL\n"
        "D-102,methanol,two,g/hL\n"
    )
    _, err = desk("lots results demo certificates.csv", code=2)
    assert err.splitlines()[1:] == [
        "certificates.csv, line 3: lot_id 'X-1' is not in the register. "
        "Record the lot first, or correct its name.",
        "certificates.csv, line 4: value is the text 'two'. "
        "Write a number: a point for decimals, no separators, no unit.",
    ]
    table.write_text("lot_id,analyte,value,unit\n")
    assert "has a header but no rows" in desk("lots results demo certificates.csv", code=2)[1]
    assert desk("records head demo") == head


def test_the_chain_is_verified_printed_and_moved(desk):
    desk("lots begin demo")
    head = desk("records head demo")[0].strip()
    assert re.fullmatch(r"9:[0-9a-f]{64}", head)
    desk("lots hold demo D-101 --reason seal")
    out, _ = desk(f"records verify demo --head {head}")
    assert "The printed head lies on this chain; 1 record was added since." in out
    desk("records export demo chain.jsonl")
    (desk.folder / "other").mkdir()
    out, _ = desk("records import other chain.jsonl --dry-run")
    assert "10 records checked, 10 added" in out
    assert not (desk.folder / "other" / "records.sqlite").exists()
    desk("records import other chain.jsonl")
    assert desk("records head other") == desk("records head demo")
    assert desk("records export other -")[0] == (desk.folder / "chain.jsonl").read_text("utf-8")
    # The same folder again adds nothing; another register is not overwritten.
    assert "0 added" in desk("records import demo chain.jsonl")[0]
    desk("lots hold other D-102 --reason seal")
    desk("lots hold demo D-104 --reason seal")
    desk("records export demo chain.jsonl")
    _, err = desk("records import other chain.jsonl", code=3)
    assert "not the beginning of chain.jsonl" in err


def test_a_broken_chain_exits_with_3_and_names_the_record(desk):
    import sqlite3

    desk("lots begin demo")
    head = desk("records head demo")[0].strip()
    connection = sqlite3.connect(desk.folder / "demo" / "records.sqlite")
    connection.executescript(
        "DROP TRIGGER record_no_update; UPDATE record SET actor = 'Mallory' WHERE seq = 4;"
    )
    connection.close()
    out, _ = desk("records verify demo", code=3)
    assert out.startswith("BROKEN at record 4: its content gives the hash")
    assert "Before it 3 records hold together." in out
    out, _ = desk("records verify demo --json", code=3)
    document = json.loads(out)
    assert (document["whole"], document["broken"]["seq"]) == (False, 4)
    changed = head[:-1] + ("0" if head[-1] != "0" else "1")
    out, _ = desk(f"records verify demo --head {changed}", code=3)
    assert "does NOT lie on this chain" in out


def test_refusals_exit_with_3_and_are_in_the_log(desk):
    desk("lots begin demo")
    desk("records appoint demo Ilse 'owner of the register' --reason founder")
    _, err = desk("lots lift demo D-103 --reason clean", code=3)
    assert f"{ME} may not lift the hold on D-103" in err
    out, _ = desk("records log demo --kind refusal")
    assert "refused: lift the hold on D-103" in out
    desk("lots lift demo D-103 --reason clean --as Ilse")
    out, _ = desk("records roles demo --json")
    assert json.loads(out)["people"] == {"Ilse": ["owner of the register"]}
    _, err = desk("records dismiss demo Ilse 'owner of the register' --reason x --as Ilse", code=3)
    assert "only owner of the register" in err


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("lots list nowhere", "nowhere: is not a folder. Name the workspace's folder."),
        ("lots list demo --status free", "--status is 'free'. Give one of released, awaiting"),
        ("lots why demo D-110", "lot 'D-110' is not in the register. Did you mean D-10"),
        ("lots why demo '=cmd|x'", "lot '=cmd|x' is not in the register."),
        ("lots hold demo X1 X2 --reason r", "lot 'X2' is not in the register"),
        ("lots hold demo D-101 --reason ''", "reason is empty."),
        ("lots lift demo D-101 --reason r", "hold D-101 has no standing hold."),
        ("lots expect demo D-101 tomorrow", "DATE is 'tomorrow'. Give a date as YYYY-MM-DD."),
        ("lots expect demo D-101 2026-02-30", "DATE is '2026-02-30'."),
        ("lots result demo D-101 methanol nan g/hL", "VALUE is 'nan'. Give a plain number"),
        ("lots result demo D-101 methanol 1e3 g/hL", "VALUE is '1e3'."),
        ("lots limit demo dry a g/hL --source s", "has neither minimum nor maximum"),
        (
            "lots add demo D-1 --liquid dry --site s --strength 120 --volume 10",
            "120",
        ),
        ("lots add demo D-1 --liquid dry --site s --strength 50", "quantity is given 0 ways."),
        (
            "lots add demo D-1 --liquid dry --site s --density 1500 --sample-temperature 20 "
            "--volume 10",
            "1500",
        ),
        (
            "lots add demo D-1 --liquid dry --site s --strength 50 --volume -5",
            "volume",
        ),
        (
            "lots add demo D-1 --liquid dry --site s --strength 50 --volume 5 --parent N-7",
            "--parent is 'N-7'. Give LOT=LPA",
        ),
        (
            "lots add demo '<b>' --liquid dry --site s --strength 50 --volume 5",
            "lot_id is the text '<b>'",
        ),
        (
            "lots dispose demo D-101 --way pour --lpa 1 --on 2026-02-02 --reason r",
            "way is the text 'pour'",
        ),
        (
            "lots dispose demo D-101 --way redistil --lpa 1 --on 2026-02-02 --reason r",
            "D-101 is released, not rejected",
        ),
        ("lots decide demo nothing.json --reason r", "nothing.json: cannot be read"),
        ("lots decide demo broken.json --reason r", "broken.json, line 1: is not JSON"),
        ("lots decide demo list.json --reason r", "list.json: is not a JSON object"),
        ("lots decide demo nan.json --reason r", "nan.json: is not JSON: NaN is not a number"),
        ("lots site demo s --zone Moon/Base", "zone is 'Moon/Base'."),
        ("lots override demo D-101 --gate x --role clerk --reason r", "--gate is 'x'."),
        ("records import demo broken.json", "broken.json, line 1: does not start with"),
        ("records export demo no/where.jsonl", "where.jsonl: cannot be written"),
        ("records verify demo --head 3", "'3' is not a chain head"),
        ("records head demo --database mysql://h/d", "names the database 'mysql'"),
        ("records head demo --database demo/opening_lots.csv", "this file is something else"),
        ("records appoint demo Ilse king --reason r", "role is the text 'king'"),
    ],
)
def test_wrong_input_gets_one_clear_error_and_changes_nothing(desk, begun, line, says):
    for name, text in (("broken", "{"), ("list", "[]"), ("nan", '{"a": NaN}')):
        (desk.folder / f"{name}.json").write_text(text)
    register = desk.folder / "demo" / "records.sqlite"
    shutil.copy(begun, register)
    _, err = desk(line, code=2)
    assert says in err
    assert register.read_bytes() == begun.read_bytes()


def test_errors_are_json_where_asked(desk):
    desk("lots begin demo")
    out, err = desk("lots why demo D-110 --json", code=2)
    assert out == ""
    (fault,) = json.loads(err)["error"]["faults"]
    assert fault["where"] == "lot"


@pytest.mark.full
def test_the_database_may_be_a_server(desk, postgres_schema_url):
    shutil.copy(desk.folder / "demo" / "opening_lots.csv", desk.folder / "opening_lots.csv")
    os.environ["BULKFLOW_DATABASE"] = postgres_schema_url
    try:
        desk("lots begin demo")
        out, _ = desk("lots list demo --with-stock")
        assert "Of all that fit: 1 released, 1 awaiting, 1 held, 1 rejected." in out
        assert not (desk.folder / "demo" / "records.sqlite").exists()
        out, _ = desk("records verify demo")
        assert out.startswith("9 records, all whole")
    finally:
        del os.environ["BULKFLOW_DATABASE"]


test_the_database_may_be_a_server = pytest.mark.postgres(test_the_database_may_be_a_server)
