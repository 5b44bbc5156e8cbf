"""From the plan to the closed quarter in one script of commands, its figures reckoned here anew."""

from __future__ import annotations

import csv
import json
import shlex
import shutil
from datetime import date
from decimal import Decimal

import pytest

from bulkflow.account.acts import close_quarter
from bulkflow.account.bodies import ClosedBalance, Closing
from bulkflow.account.return_files import return_sha256
from bulkflow.account.returns import quarter_return
from bulkflow.account.tables import ACCOUNT
from bulkflow.cli import app as APP
from bulkflow.cli.shell import run
from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for
from bulkflow.scenario.reader import read_workspace
from tests.loads.conftest import WORKSPACE
from tests.loads.plans import small_plan, write_plan_file

D = Decimal
LOAD = "riga-norfolk-270104-2"  # of one lot, VK-CIT-2641
TANK = (
    '--cargo "gin distillate" --cargo "neutral spirit" --cargo "drinking water" --cleaning ECD-7'
    " --cleaned-on 2027-01-03 --code F50 --seal S-1 --seals-intact --gasket PTFE"
    " --tank-nose clean --hose-nose clean --on 2027-01-04"
)


@pytest.fixture
def desk(tmp_path, monkeypatch, capsys):
    """Runs command lines beside the workspace 'demo' and its kept plan in plans/january."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BULKFLOW_DATABASE", raising=False)
    shutil.copytree(WORKSPACE, tmp_path / "demo")
    write_plan_file(tmp_path / "plans" / "january", small_plan(read_workspace(WORKSPACE).scenario))

    def bulkflow(line, code=0):
        found = run(APP, shlex.split(line), name="bulkflow")
        out, err = capsys.readouterr()
        assert found == code, f"{line}\n{out}\n{err}"
        assert "Traceback" not in err
        return out, err

    return bulkflow


def document(desk, line):
    return json.loads(desk(f"{line} --json")[0])


def opening(name, column, **wanted):
    with (WORKSPACE / name).open() as stream:
        (row,) = [
            row
            for row in csv.DictReader(stream)
            if all(row[key] == value for key, value in wanted.items())
        ]
    return D(row[column])


@pytest.mark.full
def test_the_whole_story(desk, tmp_path):
    desk("lots begin demo")
    desk("account begin demo")
    desk("loads allocate demo plans/january --on 2027-01-04")
    desk(f"loads tank demo {LOAD} TK-1 {TANK}")
    desk(f"loads step demo {LOAD} issued --on 2027-01-04 --movement 27LV00000000000000017")
    desk(f"loads sheet demo {LOAD} --temperature 14 --out sheet.html")
    # a digit too many is refused, with the figures; the load stays as it is
    drawn = D("17801.5")
    step = f"loads step demo {LOAD} loaded --on 2027-01-04 --seal S-9 --temperature 14"
    _, err = desk(f"{step} --drawn VK-CIT-2641={drawn * 10 // 1}", code=2)
    assert "drawn is 178,015 LPA, +899 % against 17,826" in err
    assert "--reason" in err
    desk(f"{step} --drawn VK-CIT-2641={drawn}")
    lot = opening("opening_lots.csv", "litres_20c", lot_id="VK-CIT-2641")
    lot = lot * opening("opening_lots.csv", "strength_percent", lot_id="VK-CIT-2641") / 100
    left = document(desk, "lots show demo VK-CIT-2641")["lot"]["lpa_left"]
    assert D(left) == (lot - drawn).quantize(D("0.001"))
    desk(f"loads step demo {LOAD} departed --on 2027-01-08")

    # gauged by dip at 20 degC with the strength stated: LPA are litres by strength
    sent = (D(22520) * D("79.03") / 100).quantize(D("0.001"))
    gauged = "--strength 79.03 --temperature 20"
    desk(f"account gauge demo {LOAD} --on 2027-01-08 --dip 22520 {gauged}")
    desk(f"account report demo {LOAD} --kind exit --on 2027-01-15 --reference EX-1")
    late = document(desk, "account overdue demo --on 2027-02-20")["overdue"]
    assert (LOAD, "receipt") in [(one["load_id"], one["what"]) for one in late]
    came, heel = (D(22380) * D("79.0") / 100).quantize(D("0.001")), D("12.5")
    desk(
        f"account receive demo {LOAD} --on 2027-02-01 --dip 22380 --strength 79.0 --temperature 20"
        f" --heel {heel}"
    )
    (moved,) = document(desk, f"account movements demo --load {LOAD}")["movements"]
    difference = moved["crossings"][0]["difference"]
    less = sent - came - heel
    assert D(difference["lpa"]) == less
    # 27 CFR 19.462: one per cent of what was sent
    assert D(difference["allowed_lpa"]) == (sent / 100).quantize(D("0.001"))
    figures = {one["what"]: D(one["lpa"]) for one in moved["crossings"][0]["readings"]}
    assert figures["documented"] == drawn
    assert (figures["gauged, sent"], figures["gauged, received"]) == (sent, came)
    desk(f"account report demo {LOAD} --kind receipt --on 2027-02-03 --reference US-1")
    sheet = document(desk, f"loads arrival demo {LOAD}")
    assert D(str(sheet["parts"][0]["expected"]["lpa"])) == came

    taken, cases = D(9000), 4850
    bottles = "account bottle demo {} --site NORFOLK --product CIT-750 --on {}"
    desk(
        bottles.format("B-1", "2027-02-10")
        + f" --from load:{LOAD}={taken} --cases {cases} --codes N7-0001..N7-9999"
    )
    bottled = D(cases) * 6 * D(750) / 1000 * D("41.0") / 100

    # the lot is found bad: everything that may hold some of it stops, and is named
    desk('lots hold demo VK-CIT-2641 --reason "taint found by the bottler"')
    _, err = desk(
        bottles.format("B-2", "2027-02-11") + f" --from load:{LOAD}=1000 --cases 500", code=2
    )
    assert "VK-CIT-2641, which is held" in " ".join(err.split())
    recalled = desk("account recall demo VK-CIT-2641 --json")[0]
    for name in (LOAD, "B-1"):
        assert name in recalled
    behind = desk("account recall demo --bottle N7-0042 --json")[0]
    assert "VK-CIT-2641" in behind
    desk("account lot-file demo VK-CIT-2641 --out lot.html")

    # the return and the closing, as bookkeeping on paper has them
    stock = opening("opening_stock.csv", "lpa", site_id="NORFOLK", liquid_id="VK-CIT")
    lines = document(desk, "account return demo 2027-Q1 --site NORFOLK")["lines"]
    found = {one["line"]: D(one["lpa"]) for one in lines if one["liquid_id"] == "VK-CIT"}
    assert found["received from loads"] == came
    assert found["bottled"] == -bottled
    assert found["lost in bottling"] == bottled - taken
    closing = stock + came - taken
    assert closing in found.values()
    desk("records verify demo")

    scenario = read_workspace(tmp_path / "demo").scenario
    ann = Actor("Ann", "ann")
    with (
        open_register(settings_for(tmp_path / "demo"), LOADS, ACCOUNT) as store,
        store.write(ann) as session,
    ):
        made = quarter_return(session, scenario, "2027-Q1", ["NORFOLK"])
        balances = tuple(
            ClosedBalance(liquid_id=liquid, lpa=lpa)
            for liquid, lpa in made.closing_of("NORFOLK").items()
        )
        assert dict(made.closing_of("NORFOLK"))["VK-CIT"] == closing
        body = Closing(
            site_id="NORFOLK",
            quarter="2027-Q1",
            balances=balances,
            chain_head=made.chain_head,
            return_sha256=return_sha256(made),
        )
        close_quarter(session, body, today=date(2027, 4, 2))
    # what comes late counts in the next quarter; the closed one stays as it was declared
    desk(
        "account enter demo --site NORFOLK --liquid VK-CIT --kind samples --lpa -1.5"
        f' --on 2027-02-12 --load {LOAD} --reason "found in a drawer"'
    )
    again = document(desk, "account return demo 2027-Q1 --site NORFOLK")["lines"]
    assert [one for one in again if one["liquid_id"] == "VK-CIT"] == [
        one for one in lines if one["liquid_id"] == "VK-CIT"
    ]
    on = document(desk, "account balance demo --on 2027-04-01 --site NORFOLK")
    assert str(closing - D("1.5")) in json.dumps(on)
