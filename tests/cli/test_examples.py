"""Every example in the help, run as printed against the shipped scenarios.

Each runs in a copy of one place, in which the README's first steps were taken: the demo's sittings
are in its register, its account is begun, a plan of it is kept. What an example reads that only a
person can write (a certificate, evidence, answers) is written here.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import shutil
from datetime import date
from pathlib import Path

import pytest

from bulkflow.account.tables import ACCOUNT
from bulkflow.cli.shell import ExitCode, run
from bulkflow.loads.tables import LOADS
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for
from bulkflow.scenario.reader import read_workspace
from panels.records import PANELS
from tests.cli.test_help import COMMANDS, PROGRAMS, example_of
from tests.loads.making import a_load, a_part, accept, record
from tests.loads.plans import LOADS as PLANNED
from tests.loads.plans import small_plan, write_plan_file
from tests.lots.making import lab_evidence

ROOT = Path(__file__).resolve().parents[2]
DEMO = "scenarios/vejkalna"
LOAD = "riga-norfolk-270104-1"

# What has to have been done before an example, or the words that it answers with where it rightly
# refuses on the shipped scenario.
BEFORE = {
    "bulkflow lots sample-gone": ["bulkflow lots sample"],
    "bulkflow lots dispose": [
        f"bulkflow lots rule {DEMO} VK-CIT lab 2 --decided-by laboratory --words 'inside limits'",
        f"bulkflow lots decide {DEMO} rejected.json --reason 'far outside'",
    ],
    "bulkflow account bottlings": ["bulkflow account receive"],
    "bulkflow account reverse": ["bulkflow account enter"],
    "bulkflow lots decide": ["bulkflow lots rule"],
    "bulkflow records import": ["bulkflow records export"],
    "bulkflow records dismiss": [f"bulkflow records appoint {DEMO} 'Ilse Marten' clerk --reason x"],
    "bulkflow cases add": ["bulkflow cases open"],
    "bulkflow cases show": ["bulkflow cases open"],
    "panels sitting cancel": ["panels sitting next"],
    "panels confirm sheets": ["panels confirm plan"],
}
# Scores, answers and a next standard come of a panel that sits: on what is shipped these refuse,
# and say why.
REFUSES = {
    "bulkflow records key": "A dry run makes no key",
    "panels standard record": "is recorded",
    "panels standard bridge": "new.yaml: does not exist",
    "panels sitting plan": "VK-2026-12-15",
    "panels sitting record": "VK-2026-12-15",
    "panels sitting amend": "'VK-1' is not in the register",
    "panels sitting open-key": "'VK-1' is not in the register",
    "panels sitting close": "is closed",
    "panels sitting decide": "is decided already",
    "panels confirm record": "test C-1 is not planned",
}
CODES = {  # a gate says no
    "bulkflow loads tank": ExitCode.NO_PLAN,
    "panels uses arrival": ExitCode.NO_PLAN,
    "panels uses off-note": ExitCode.NO_PLAN,
}
# Served until it is interrupted, or simulated for minutes: run by tests of their own.
LONG = {
    "panels booth",
    "panels rule risks",
    "panels rule check",
    "panels rule size",
    "panels rule declare",
}
OF_THE_ACCOUNT = ("bulkflow account", "bulkflow loads")


def started(words: list[str]) -> tuple[int, str]:
    """Run a command line in this process; return its code and what it said."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = run(PROGRAMS[words[0]], words[1:], name=words[0])
    return code, said.getvalue()


def lines() -> dict[str, list[str]]:
    found = {}
    for one in COMMANDS:
        path, command = one.values
        found[" ".join(path)] = example_of(path, command.help or "")
    return found


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("examples")
    shutil.copytree(ROOT / "scenarios", folder / "scenarios",
                    ignore=shutil.ignore_patterns("*.sqlite*"))  # fmt: skip
    before = Path.cwd()
    os.chdir(folder)
    try:
        for words in (
            f"panels sitting import {DEMO}",
            "bulkflow plan scenarios/two_sites --no-register --out plans/two_sites",
        ):
            code, said = started(shlex.split(words))
            assert code == 0, said
    finally:
        os.chdir(before)
    for name in ("january", "february"):
        shutil.copytree(folder / "plans" / "two_sites", folder / "plans" / name)
    scenario = read_workspace(folder / DEMO).scenario
    kept = [one for one in PLANNED if one.tank_type == "TC-24"]
    write_plan_file(folder / "plans" / "vejkalna", small_plan(scenario, kept))
    ready = a_load(LOAD, (a_part([("VK-DRY-2641", 18000, "80.02")]),), loading_day=date(2027, 1, 4),
                   leaving_day=date(2027, 1, 8))  # fmt: skip
    tank = {"examined_on": date(2027, 1, 3), "cleaned_on": date(2027, 1, 2)}
    with (
        open_register(settings_for(folder / DEMO), LOADS, ACCOUNT, PANELS, create=False) as store,
        store.write(Actor("Ann", "ann")) as session,
    ):
        record(session, ready, on=date(2027, 1, 3))
        accept(session, LOAD, **tank)
    evidence = json.dumps(lab_evidence("VK-CIT-2642", "hold"))
    (folder / "evidence.json").write_text(evidence, "utf-8")
    rejected = json.dumps(lab_evidence("VK-CIT-2642", "reject"))
    (folder / "rejected.json").write_text(rejected, "utf-8")
    table = "lot_id,analyte,value,unit\nVK-DRY-2641,pH,7,1\n"
    (folder / "certificates.csv").write_text(table, "utf-8")
    return folder


@pytest.mark.full
def test_every_example_works_as_printed(place, tmp_path_factory, monkeypatch) -> None:
    printed, wrong = lines(), {}
    for name, words in printed.items():
        if name in LONG:
            continue
        folder = tmp_path_factory.mktemp("one") / "place"
        shutil.copytree(place, folder)
        monkeypatch.chdir(folder)
        first = [f"bulkflow account begin {DEMO}"]
        needs_account = name.startswith(OF_THE_ACCOUNT) and name != "bulkflow account begin"
        for before in [*(first if needs_account else []), *BEFORE.get(name, [])]:
            earlier = printed.get(before, shlex.split(before))
            started([word for word in earlier if word != "--dry-run"])
        code, said = started(words)
        refused = name in REFUSES and code == ExitCode.BAD_INPUT and REFUSES[name] in said
        if not refused and code != CODES.get(name, ExitCode.DONE):
            wrong[name] = f"{shlex.join(words)}\n{said[:400]}"
        shutil.rmtree(folder)
    assert not wrong, "\n\n".join(wrong.values())
