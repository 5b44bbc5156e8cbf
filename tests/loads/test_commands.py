"""The commands on loads, through the real command line and database."""

from __future__ import annotations

import contextlib
import json
import shlex
import shutil
from pathlib import Path

import pytest
import typer

from bulkflow.cli import app as APP
from bulkflow.cli import loads as loads_commands
from bulkflow.cli.shell import run
from bulkflow.lots.register import open_register
from bulkflow.records import head, settings_for
from tests.loads.conftest import DEMO, WORKSPACE
from tests.loads.plans import small_plan, write_plan_file

FOUND = (
    '--cargo "gin distillate" --cargo "neutral spirit" --cargo "drinking water" --cleaning ECD-7'
    " --cleaned-on 2027-01-03 --code F50 --seal S-1 --seals-intact --gasket PTFE"
    " --tank-nose clean --hose-nose clean --on 2027-01-04"
)


READY = "riga-norfolk-270104-2"  # a load of one released lot


@pytest.fixture(scope="module")
def planned(tmp_path_factory, begun, scenario) -> Path:
    """A folder with a workspace 'demo' and a plan in plans/january."""
    folder = tmp_path_factory.mktemp("planned")
    shutil.copytree(begun, folder / "demo")
    with open_register(settings_for(folder / "demo")) as store, store.read() as session:
        was = str(head(session))
    write_plan_file(folder / "plans" / "january", small_plan(scenario), was)
    return folder


@pytest.fixture(scope="module")
def filled(tmp_path_factory, planned) -> Path:
    """The same with the plan's loads on the register, and a tank accepted for one of them."""
    folder = tmp_path_factory.mktemp("filled") / "desk"
    shutil.copytree(planned, folder)
    with contextlib.chdir(folder):
        for line in (
            "loads allocate demo plans/january --on 2027-01-04",
            f"loads tank demo {READY} TK-1 {FOUND}",
        ):
            assert run(APP, shlex.split(line), name="bulkflow") == 0
    return folder


@pytest.fixture
def desk(tmp_path, monkeypatch, capsys, planned):
    """A function that runs a command line beside the workspace 'demo' and its plan."""
    return a_desk(shutil.copytree(planned, tmp_path / "desk"), monkeypatch, capsys)


@pytest.fixture
def filled_desk(tmp_path, monkeypatch, capsys, filled):
    """The same, with the plan's loads on the register."""
    return a_desk(shutil.copytree(filled, tmp_path / "desk"), monkeypatch, capsys)


def a_desk(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    monkeypatch.setenv("COLUMNS", "80")

    def bulkflow(line, code=0):
        found = run(APP, shlex.split(line), name="bulkflow")
        out, err = capsys.readouterr()
        assert found == code, f"{line}\n{out}\n{err}"
        assert "Traceback" not in err
        return out, err

    bulkflow.folder = folder
    return bulkflow


def document(answer):
    return json.loads(answer[0])


def test_from_plan_to_arrival(desk) -> None:
    out, _ = desk("loads allocate demo plans/january --on 2027-01-04 --dry-run")
    assert "loads filled" in out
    assert "No load fits." in desk("loads list demo")[0]

    out, _ = desk("loads allocate demo plans/january --on 2027-01-04")
    assert "6 loads filled, 2 held, 0 taken back; 1 under way taken over" in out
    assert "Held riga-norfolk-270125-1 (earliest 2027-01-08)" in " ".join(out.split())
    found = document(desk("loads list demo --state held --json"))["loads"]
    assert [one["load_id"] for one in found] == ["riga-norfolk-270118-1", "riga-norfolk-270125-1"]

    load = READY
    _, err = desk(f"loads step demo {load} issued --on 2027-01-04", code=3)
    assert "tank of TC-24: examined: no tank has been examined for this load" in err
    out, _ = desk(f"loads tank demo {load} TK-1 {FOUND} --gasket NBR", code=3)
    assert "NBR is not suited to strong alcohol" in out
    _, err = desk(f"loads sheet demo {load}", code=3)
    assert "tank of TK-1: gasket: NBR is not suited" in err
    out, _ = desk(f"loads tank demo {load} TK-1 {FOUND}")
    assert "Tank TK-1 for load riga-norfolk-270104-2: accepted." in out
    desk(f"loads step demo {load} issued --on 2027-01-04 --movement 27LV00000000000000017")

    out, _ = desk(f"loads sheet demo {load} --temperature 14")
    assert "UN 3065 ALCOHOLIC BEVERAGES, 3, II, (D/E)" in out
    head_line = desk("records head demo")[0].strip()
    assert head_line.split()[0][:20] in out
    _, err = desk(f"loads sheet demo {load} --out sheet.html")
    assert err == "Wrote sheet.html.\n"
    assert load in (desk.folder / "sheet.html").read_text("utf-8")

    before = document(desk("lots show demo VK-CIT-2641 --json"))["lot"]["lpa_left"]
    desk(f"loads step demo {load} loaded --on 2027-01-04 --drawn VK-CIT-2641=17801.5 --seal S-9")
    after = document(desk("lots show demo VK-CIT-2641 --json"))["lot"]["lpa_left"]
    assert float(before) - float(after) == pytest.approx(17801.5)
    desk(f"loads step demo {load} departed --on 2027-01-08 --gross-mass 23290")
    assert (
        document(desk(f"loads sheet demo {load} --json"))["weights"]["verified_kg"] == "23290.000"
    )

    out, _ = desk(f"loads arrival demo {load} --temperature 26 --via 55")
    assert "stage 2" in out
    sheet = document(desk(f"loads arrival demo {load} --temperature 26 --measured 41.5 --json"))
    assert sheet["seals"] == ["S-9"]
    assert sheet["parts"][0]["bottlings"][0]["measured"]["kind"] == "water"

    _, err = desk(f"loads step demo {load} discharged --on 2027-02-03", code=2)
    assert "is departed and cannot become discharged" in err
    desk(f"loads step demo {load} arrived --on 2027-01-30")
    desk(f"loads step demo {load} discharged --on 2027-02-03 --lpa 17790")
    shown = document(desk(f"loads show demo {load} --json"))
    assert shown["may_follow"] == ["reconciled"]
    assert [one["state"] for one in shown["steps"]] == [
        "planned", "issued", "loaded", "departed", "arrived", "discharged",
    ]  # fmt: skip
    out, _ = desk("records verify demo")
    assert "records, all whole" in out
    assert "not read" not in out


@pytest.mark.full
def test_a_lot_held_after_the_sheet_was_made(filled_desk) -> None:
    desk, load = filled_desk, READY
    desk(f"loads sheet demo {load}")
    desk('lots hold demo VK-CIT-2641 --reason "odd smell"')
    _, err = desk(f"loads sheet demo {load}", code=3)
    assert "hold of VK-CIT-2641: held: odd smell" in err
    _, err = desk(f"loads sheet demo {load} --out no.html --json", code=3)
    error = json.loads(err)["error"]
    assert error["exit_code"] == 3
    assert not (desk.folder / "no.html").exists()
    desk(f"loads show demo {load} --gate", code=3)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("loads step demo A-9 loaded", "'A-9' is not in the register"),
        ("loads step demo F-202 lost", "state is 'lost'. Give one of planned, promised"),
        ("loads step demo F-202 held", "reason is missing"),
        ("loads step demo F-202 held --reason x --on tomorrow", "--on is 'tomorrow'"),
        ("loads step demo F-202 issued --movement =1+1", "movement_reference is the text"),
        ("loads step demo F-202 issued --gross-mass nan", "--gross-mass"),
        ("loads step demo F-202 issued --gross-mass -5", "gross_mass_kg"),
        ("loads step demo F-202 loaded --drawn VK", "--drawn is 'VK'"),
        ("loads list demo --state lost", "state is 'lost'"),
        ("loads tank demo F-202 T-1 --tank-nose maybe", "--tank-nose is 'maybe'"),
        ("loads tank demo F-202 T-1 --tare 0", "tare_kg"),
        (f"loads sheet demo {READY} --temperature 400", "temperature"),
        ("loads arrival demo F-202 --temperature nan", "temperature"),
        ("loads arrival demo F-202 --via 99", "via is 99 % vol"),
        ("loads arrival demo F-202 --product NONE", "product is 'NONE'"),
        ("loads arrival demo F-202 --measured 120", "strength"),
        ("loads allocate demo plans", "holds no plan.json"),
        ("loads allocate demo plans/january --until 2027-13-01", "--until is '2027-13-01'"),
        ("loads list nowhere", "is not a folder"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(filled_desk, line, words) -> None:
    desk = filled_desk
    before = desk("records head demo")[0]
    _, err = desk(line, code=2)
    assert words in " ".join(err.split())
    assert desk("records head demo")[0] == before


def test_the_register_travels_with_its_loads(filled_desk) -> None:
    desk = filled_desk
    desk("records export demo all.jsonl")
    (desk.folder / "copy").mkdir()
    shutil.copy(WORKSPACE / "scenario.yaml", desk.folder / "copy")
    desk("records import copy all.jsonl --database copy/records.sqlite")
    first = document(desk("loads list demo --json"))
    second = document(desk("loads list copy --database copy/records.sqlite --json"))
    assert first == second


def commands():
    return [command for command in loads_commands.app.registered_commands if command.callback]


def test_every_command_can_be_asked_for_help(filled_desk) -> None:
    out, _ = filled_desk("loads --help")
    for command in commands():
        assert command.name in out
        assert "Example" in filled_desk(f"loads {command.name} --help")[0]
    assert isinstance(loads_commands.app, typer.Typer)


@pytest.mark.full
def test_the_demo_planned_allocated_issued_and_planned_again(tmp_path, monkeypatch, capsys) -> None:
    """The real planner before and after: what is issued is frozen in the next plan."""
    (tmp_path / "desk").mkdir()
    shutil.copytree(
        DEMO, tmp_path / "desk" / "demo", ignore=shutil.ignore_patterns("records.sqlite*")
    )
    desk = a_desk(tmp_path / "desk", monkeypatch, capsys)
    seconds = "--seconds 150 --gap 0.1 --no-price-holds --no-explain"
    desk(f"plan demo {seconds} --out plans/first")
    desk("loads allocate demo plans/first --on 2027-01-04")
    listed = document(desk("loads list demo --to 2027-01-10 --json"))["loads"]
    ready = [
        one["load_id"]
        for one in listed
        if one["state"] in ("planned", "promised")
        and all(p["shares"] for p in one["parts"])
        and not any(s["to_come"] or s.get("expected_on") for p in one["parts"] for s in p["shares"])
    ]
    assert ready, "the first week of the demo has no load of released lots"
    for load in ready:
        desk(f"loads tank demo {load} TK-1 {FOUND}")
        desk(f"loads step demo {load} issued --on 2027-01-04")
        desk(f"loads sheet demo {load}")
        desk(f"loads arrival demo {load}")
    desk(f"plan demo {seconds} --out plans/second")
    plan = json.loads(Path("plans/second/plan.json").read_text("utf-8"))
    kinds = {one["load_id"]: one["kind"] for one in plan["loads"]}
    assert {kinds[load] for load in ready} == {"frozen"}
    assert kinds["P-201"] in ("promised", "frozen")
    assert all(check["passed"] for check in plan["checks"])
    out, _ = desk("loads allocate demo plans/second --on 2027-01-05")
    assert "loads filled" in out
    names = [one["load_id"] for one in document(desk("loads list demo --json"))["loads"]]
    assert len(names) == len(set(names))


def test_a_lot_fits_its_site_tank_and_liquid_or_has_a_reason(desk) -> None:
    desk('lots hold demo VK-NAVY-2641 --reason "odd smell"')
    add = "lots add demo NEW --liquid {} --site VEJKALNA --tank {} --strength {} --volume {}"
    for fields, words in (
        (("VK-DRY", "X9", 80, 9000), "tank is X9, but VEJKALNA has"),
        (("VK-DRY", "Y1", 80, 9000), "tank is Y1, which is for"),
        (("VK-NAVY", "Y1", 82, 9000), "where VK-NAVY-2641 lies, which is held"),
        (("VK-NAVY", "Y1", 82, 500000), "would be in it"),
        (("VK-DRY", "Y1", 62, 9000), "strength is 62.000 % vol, but VK-DRY has 80"),
    ):
        _, err = desk(add.format(*fields), code=2)
        assert words in " ".join(err.split())
    desk(add.format("VK-NAVY", "Y1", 82, 900) + ' --reason "topped up before the hold was known"')
