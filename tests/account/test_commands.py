"""The commands of the account, on a copy of the demo: real command line, real database."""

import csv
import json
import re
import shlex
import shutil

import pytest
import typer

from bulkflow.cli import account as account_commands
from bulkflow.cli import app as APP
from bulkflow.cli.shell import run

from .conftest import DEMO

WRITING = (
    "begin", "gauge", "receive", "report", "bottle", "bottlings", "enter", "move", "reverse",
    "close",
)  # fmt: skip
BOTTLED = (
    "bottling_id,site_id,product_id,on,sources,cases,codes,note\n"
    "B-7,NORFOLK,DRY-750,2027-01-14,stock:VK-DRY=3600,1850,N1-0001..N1-9999,\n"
)


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """A copy of the demo whose account was begun."""
    folder = tmp_path_factory.mktemp("account") / "demo"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("records.sqlite*"))
    assert run(APP, ["lots", "begin", str(folder)], name="bulkflow") == 0
    assert run(APP, ["account", "begin", str(folder)], name="bulkflow") == 0
    return folder


@pytest.fixture
def desk(begun, tmp_path, monkeypatch, capsys):
    """A folder with a workspace 'demo', and a function that runs a command line in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    shutil.copytree(begun, tmp_path / "demo")
    capsys.readouterr()

    def bulkflow(line, code=0):
        found = run(APP, shlex.split(line), name="bulkflow")
        out, err = capsys.readouterr()
        assert found == code, f"{line}\n{out}\n{err}"
        assert "Traceback" not in err
        return out, err

    bulkflow.folder = tmp_path
    return bulkflow


def commands():
    return typer.main.get_command(account_commands.app).commands


def example(name):
    text = commands()[name].help
    found = re.search(r"Example: bulkflow (.*?)(\n\n|$)", text, re.S)
    assert found, f"account {name} has no example"
    printed = " ".join(found[1].split())  # run as printed in tests/cli/test_examples.py
    here = printed.replace("scenarios/vejkalna/week3/", "").replace("scenarios/vejkalna", "demo")
    return here.replace("reverse demo 149", "reverse demo 18")  # the register here is shorter


@pytest.mark.parametrize("name", sorted(set(commands()) - set(WRITING)))
def test_every_example_in_the_help_works(desk, name):
    out, _ = desk(example(name))
    assert out


@pytest.mark.parametrize("name", WRITING)
def test_every_writing_example_works_and_a_dry_run_keeps_nothing(desk, name):
    (desk.folder / "bottled.csv").write_text(BOTTLED)
    if name == "begin":
        (desk.folder / "demo" / "records.sqlite").unlink()
        desk("lots begin demo")
    before, _ = desk("records head demo")
    line = example(name)
    assert line.endswith("--dry-run")
    out, err = desk(line + " --json")
    document = json.loads(out)
    assert document["kept"] is False
    assert document["records"]
    assert "Dry run: nothing was kept." in err
    assert desk("records head demo")[0] == before


@pytest.mark.full
def test_from_arrival_to_return(desk):
    out, _ = desk(
        "account receive demo W-101 --on 2027-01-12 --dip-gallons 5716 --proof 160.6"
        " --temperature-f 63 --heel 3.2"
    )
    assert "sent less received +324.602 LPA ± 81.615 (k = 2), +1.84 %: loss above the" in out
    desk("account report demo W-101 --kind receipt --on 2027-01-14 --reference US-1")
    desk(
        "account bottle demo B-1 --site NORFOLK --product DRY-750 --on 2027-01-15"
        " --from load:W-101=3650 --cases 1880 --codes N7-0001..N7-9999"
    )
    document = json.loads(desk("account movements demo --load W-101 --json")[0])
    (crossing,) = document["movements"][0]["crossings"]
    assert crossing["difference"]["verdict"] == "loss above the allowance"
    assert crossing["difference"]["allowance"]["percent"] == 1.0
    assert "27 CFR 19.462" in crossing["difference"]["allowance"]["citation"]
    assert "1.9018 LPA" in crossing["received_proof_gallons"]["basis"]
    out, _ = desk("account movements demo --load W-101")
    assert "proof gallons" in out
    out, _ = desk("account balance demo --on 2027-01-15 --site NORFOLK")
    with (DEMO / "opening_stock.csv").open() as stream:
        opening = next(
            float(row["lpa"])
            for row in csv.DictReader(stream)
            if (row["site_id"], row["liquid_id"]) == ("NORFOLK", "VK-DRY")
        )
    left = f"{opening + 17322.198 - 3650:,.3f}"
    assert re.search(rf"NORFOLK  VK-DRY +{re.escape(left)}", out), out
    assert "Every balance equals what the standing records add up to, to 0.001 LPA." in out
    document = json.loads(desk("account lot-file demo VK-DRY-2641 --out lot.html --json")[0])
    page = (desk.folder / "lot.html").read_text("utf-8")
    assert all(digest in page for digest in document["records"].values())
    assert document["chain_head"] in page
    # its own file is written anew, but what somebody changed or wrote is never lost
    desk("account lot-file demo VK-DRY-2641 --out lot.html")
    for name, words in (("lot.html", "was changed since"), ("mine.html", "was not written by")):
        (desk.folder / name).write_text("my notes", "utf-8")
        _, err = desk(f"account lot-file demo VK-DRY-2641 --out {name}", code=2)
        assert words in " ".join(err.split())
        assert (desk.folder / name).read_text("utf-8") == "my notes"
    desk("account enter demo --site NORFOLK --liquid VK-DRY --kind samples --lpa -0.4"
         " --on 2027-01-15 --reason panel --as Mia")  # fmt: skip
    (entry,) = json.loads(desk("records log demo --last 1 --json")[0])["records"]
    out = "".join(desk("records log demo --last 1")[0].split())
    assert "samples,VK-DRY,-0.400LPA" in out
    assert "Mia(account" in out
    assert f"{entry['account']})" in out
    # the arrival sheet reckons from what was measured
    (part,) = json.loads(desk("loads arrival demo W-101 --json")[0])["parts"]
    assert part["measured"] is True
    assert part["expected"]["lpa"] == pytest.approx(17322.198)
    stated = "--received-lpa 17300 --received-strength 79.5"
    (part,) = json.loads(desk(f"loads arrival demo W-101 {stated} --json")[0])["parts"]
    assert part["expected"]["lpa"] == pytest.approx(17300.0)
    assert part["expected"]["strength_percent"] == pytest.approx(79.5)
    out, _ = desk("account balance demo --on 2027-01-15 --site NORFOLK --from 2027-01-11")
    assert [line.split()[0] for line in out.splitlines()[2:]] == [
        f"2027-01-{day}" for day in range(11, 16)
    ]
    out, _ = desk("account recall demo --bottle N7-0042")
    assert "Behind bottling B-1: 1 reached" in out
    assert "its lots are not known" in " ".join(out.split())
    files = "--out return.csv --out return.xlsx"
    out, _ = desk(f"account return demo 2027-Q1 --site NORFOLK --site GRAZ {files}")
    head = desk("records head demo")[0].strip()
    assert f"Chain head: {head}" in out
    with (desk.folder / "return.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert {row["chain_head"] for row in rows} == {head}
    assert {row["site_id"] for row in rows} == {"NORFOLK", "GRAZ"}
    assert (desk.folder / "return.xlsx").stat().st_size > 5000
    desk("records verify demo")


def test_a_quarter_closed_on_the_command_line(desk):
    _, err = desk("account close demo 2027-Q1 --site NORFOLK", code=2)
    assert "quarter is 2027-Q1, which ends on 2027-03-31. Close it when it has ended." in err
    out, _ = desk("account close demo 2026-Q3 --site NORFOLK --site GRAZ")
    assert out.startswith("2026-Q3 closed for NORFOLK, GRAZ (records ")
    out, _ = desk("account return demo 2026-Q3 --site NORFOLK")
    assert "NORFOLK, 2026-Q3: closed by record" in out
    _, err = desk("account close demo 2026-Q3 --site NORFOLK", code=2)
    assert "Correct it in a later quarter." in err


WRONG = [
    ("account begin demo", "account was begun already. Enter a correction instead."),
    ("account receive demo W-999 --on 2027-01-12 --dip 1 --strength 80 --temperature 20",
     "load 'W-999' is not in the register. Did you mean"),
    ("account receive demo W-101 --on 2027-01-12",
     "temperature is missing. Give the temperature of the liquid when it was gauged."),
    ("account receive demo W-101 --on 2027-13-12 --dip 1", "--on is '2027-13-12'. Give a date"),
    ("account receive demo W-101 --on 2027-01-12 --dip 22000 --strength 80 --temperature 99",
     "the formula holds from"),
    ("account gauge demo W-101 --on 2027-01-12 --dip 1e9 --strength 80 --temperature 9",
     "--dip is '1e9'. Give a plain number"),
    ("account gauge demo W-101 --on 2027-01-12 --dip 9 --dip-gallons 9 --strength 80",
     "--dip-gallons is given with --dip. Give one."),
    ("account report demo W-101 --kind receipt --on 2027-01-14 --reference R",
     "W-101 is departed. Record its receipt first."),
    ("account report demo W-101 --kind lost --on 2027-01-14 --reference R",
     "kind is the text 'lost'"),
    ("account bottle demo B-1 --site NORFOLK --product GIN --on 2027-01-15 --cases 1"
     " --from stock:VK-DRY=9", "--product is 'GIN'. Give one of CIT-700, CIT-750, DRY-700"),
    ("account bottle demo B-1 --site NORFOLK --product DRY-750 --on 2027-01-15 --cases 1"
     " --from VK-DRY --from lot:=2", "--from is 'VK-DRY'. Give load:NAME=LPA"),
    ("account bottle demo B-1 --site NORFOLK --product DRY-750 --on 2027-01-15 --cases 9999"
     " --from stock:VK-DRY=9", "only 9.000 was taken"),
    ("account bottle demo =B-1 --site NORFOLK --product DRY-750 --on 2027-01-15 --cases 1"
     " --from stock:VK-DRY=9", "bottling_id is the text '=B-1'. Start with a letter or digit"),
    ("account enter demo --site MOON --liquid VK-DRY --kind samples --lpa -1 --on 2027-01-15"
     " --reason x", "MOON with VK-DRY is not there"),
    ("account enter demo --site NORFOLK --liquid VK-DRY --kind samples --lpa 1"
     " --on 2027-01-15 --reason x", "is 1.000 LPA; samples is below 0"),
    ("account balance demo --on 2027-01-01 --from 2027-01-05 --site GRAZ",
     "Give --site, and at most 1,000 days."),
    ("account guarantees demo --from 2027-01-05 --to 2027-01-01", "--to is 2027-01-01"),
    ("account recall demo", "start is missing. Give a lot, or --bottle with a code."),
    ("account recall demo VK-DRY-2641 --bottle X", "start is given both ways"),
    ("account recall demo --bottle X-1", "bottle 'X-1' is not in the register"),
    ("account lot-file demo VK-DRY-26 --out lot.html", "Did you mean VK-DRY-2643"),
    ("account return demo Q1", "quarter is 'Q1'. Give one as 2027-Q1."),
]  # fmt: skip


def test_what_is_wrong_is_said_and_nothing_is_written(desk):
    before, _ = desk("records head demo")
    for line, said in WRONG:
        _, err = desk(line, code=2)
        assert said in " ".join(err.split()), line
    assert desk("records head demo")[0] == before
    assert not (desk.folder / "lot.html").exists()


def test_a_table_is_taken_whole_or_not_at_all(desk):
    rows = [
        "bottling_id,site_id,product_id,on,sources,cases,codes",
        "B-1,NORFOLK,DRY-750,2027-01-14,stock:VK-DRY=3600,1850,N1-0001..N1-9999",
        "B-2,NORFOLK,GIN,2027-01-32,barrel:X=1;stock:VK-DRY=a,1.5,N2-9..N1-1",
        "=B-3,NORFOLK,DRY-750,2027-01-14,stock:VK-DRY=1,1,",
        ",NORFOLK,DRY-750,2027-01-14,stock:VK-DRY=1,NaN,",
    ]
    (desk.folder / "bottled.csv").write_text("\n".join(rows) + "\n")
    _, err = desk("account bottlings demo bottled.csv", code=2)
    for said in (
        "line 3: cases is the text '1.5'. Write a whole number.",
        "line 3: codes is the text 'N2-9..N1-1'. Give first..last",
        "line 3: product_id is no product of the workspace",
        "line 3: sources is the text 'barrel:X=1'",
        "line 3: sources is the text 'stock:VK-DRY=a'",
        "line 4: bottling_id starts with '=', as a formula does.",
        "line 5: cases is the text 'NaN'. Write a whole number.",
    ):
        assert said in err, err
    (desk.folder / "bottled.csv").write_text(BOTTLED)
    out, _ = desk("account bottlings demo bottled.csv")
    assert out.startswith("1 lots of bottles: 1,850 cases from 3,600.000 LPA (record ")
    _, err = desk("account bottlings demo bottled.csv", code=2)
    assert "'B-7' is in the register already" in err


def test_several_liquids_of_a_load_come_in_a_table(desk):
    (desk.folder / "gauged.csv").write_text(
        "liquid_id,temperature,volume,stated_percent,heel_lpa\nVK-DRY,18,21900,80,2\n"
    )
    out, _ = desk("account receive demo W-101 --on 2027-01-12 --table gauged.csv --dry-run")
    assert "W-101, VK-DRY: sent less received" in out
    (desk.folder / "gauged.csv").write_text("liquid_id,temperature,weight\nVK-DRY,18,2\n")
    _, err = desk("account receive demo W-101 --on 2027-01-12 --table gauged.csv", code=2)
    assert "weight" in err
