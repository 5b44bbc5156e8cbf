"""The uses end to end through the command line: the demo, other outcomes, and broken input."""

import json
import math
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from panels.assessors.drift import DriftSettings, pooled_sigma, reference_drift
from panels.methods.similarity import maximum_correct
from panels.uses.declaration import SiteRule, SourceRule, read_declaration
from panels.uses.documents import plain
from panels.uses.site import SiteConclusion, judge_site
from panels.uses.source import plan_source
from tests.panels.conftest import Panels

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "vejkalna" / "panel" / "uses"
HEAD = "delivery,date,assessor,correct\n"


@pytest.fixture
def uses(tmp_path: Path) -> Path:
    """A copy of the demo's declarations and tables."""
    return Path(
        shutil.copytree(DEMO, tmp_path / "uses", ignore=shutil.ignore_patterns("records.sqlite*"))
    )


def said(text: str) -> str:
    """Printed text without the breaks of an 80-column page."""
    return " ".join(text.split())


# --- the demo ------------------------------------------------------------------------------


def test_second_source_is_qualified_with_its_risk(panels: Panels) -> None:
    ran = panels("uses", "source", DEMO / "source.yaml", DEMO / "source.csv")
    assert ran.code == 0
    assert "is qualified beside cereal spirit of Ostravele: all 4 deliveries" in said(ran.out)
    assert "although 40 % of assessors could tell one of them is at most 5 %" in said(ran.out)
    assert "at least 47.3 % of deliveries to come would pass too" in said(ran.out)
    result = panels("uses", "source", DEMO / "source.yaml", DEMO / "source.csv", "--json").json
    assert (result["schema"], result["version"]) == ("panels.uses.source", 1)
    assert result["result"]["conclusion"] == "qualified"
    for one in result["result"]["deliveries"]:
        assert one["correct"] <= maximum_correct("triangle", 36, 0.4, 0.05)
        assert one["upper_share"] <= 0.4
    assert result["declaration"]["declared"] == "2026-10-05"


def test_new_site_is_approved_within_the_tolerated_difference(panels: Panels) -> None:
    ran = panels("uses", "site", DEMO / "site.yaml", DEMO / "site.csv")
    assert ran.code == 0
    assert "all 3 runs lie within 1.5 of 10 of the blind control" in said(ran.out)
    runs = panels("uses", "site", DEMO / "site.yaml", DEMO / "site.csv", "--json").json["result"]
    assert all(run["upper"] < 1.5 and run["finding"] == "within" for run in runs["runs"])
    # A noticed difference and a tolerable one are two questions.
    assert min(run["noticed_p"] for run in runs["runs"]) < 0.05


def test_arrivals_are_accepted_held_and_left_undecided(panels: Panels) -> None:
    ran = panels("uses", "arrival", DEMO / "arrival.yaml", DEMO / "arrival.csv")
    assert ran.code == 3
    assert said(ran.out).startswith(
        "W-088 accepted; W-091 held as different; W-094 held undecided. A load that 50 % of"
        " assessors can tell from the retained sample is accepted with 5.2 % chance."
    )


def test_off_note_is_confirmed_by_those_who_notice_it(panels: Panels) -> None:
    words = ("uses", "off-note", DEMO / "off_note.yaml", DEMO / "off_note.csv")
    ran = panels(*words, DEMO / "records.csv")
    assert ran.code == 3
    assert said(ran.out).startswith("Among those who notice sulphury: 16 of 18 answers by 6")
    result = panels(*words, DEMO / "records.csv", "--json").json["result"]
    assert result["finding"] == "confirmed"
    assert result["sensitive"]["assessors"] == ["A2", "A4", "A5", "A7", "A9", "A11"]
    assert result["others"]["p_value"] > 0.3
    # Asked of everybody, the six who cannot notice it would have thinned the evidence.
    assert result["order"][0] in result["sensitive"]["assessors"]


def test_panel_is_chosen_by_the_rule_and_the_weak_are_named(panels: Panels) -> None:
    words = ("uses", "choose", DEMO / "panel.yaml", DEMO / "trial.csv")
    ran = panels(*words, "--records", DEMO / "records.csv")
    assert ran.code == 0
    result = panels(*words, "--records", DEMO / "records.csv", "--json").json
    assert set(result["chosen"]) == {f"A{i}" for i in range(1, 13)} - {"A3", "A8", "A12"}
    needs = {
        review["assessor"]: [finding["need"] for finding in review["findings"]]
        for review in result["reviews"]
        if review["findings"]
    }
    assert needs == {"A3": ["bias"], "A8": ["scale use"], "A12": ["repeatability"]}
    assert result["sensitive"]["sulphury"] == ["A2", "A4", "A5", "A7", "A9", "A11"]


def test_panel_is_watched_and_the_drifting_assessor_found(panels: Panels) -> None:
    words = ("uses", "monitor", DEMO / "panel.yaml", DEMO / "reference.csv")
    ran = panels(*words)
    assert ran.code == 0
    assert "drifting: A10 from S16 on." in said(ran.out)
    assert list(panels(*words, "--json").json["drifting"]) == ["A10"]


def test_plans_tell_the_numbers_before_the_first_glass(panels: Panels) -> None:
    ran = panels("uses", "plan", DEMO / "source.yaml")
    assert "similar up to 16 right, different from 18" in said(ran.out)
    assert "55 assessors are needed at each" in said(ran.out)
    lines = panels("uses", "plan", DEMO / "arrival.yaml", "--json").json["plan"]["accept_lines"]
    assert lines[3] == [4, 0, 4]
    assert lines[-1] == [18, 7, 11]
    assert panels("uses", "plan", DEMO / "arrival.yaml").code == 0


def test_demo_tables_are_what_their_maker_makes(tmp_path: Path) -> None:
    folder = tmp_path / "scenario" / "panel" / "uses"
    folder.mkdir(parents=True)
    subprocess.run(
        [sys.executable, "-m", "tests.panels.make_demo_uses", str(tmp_path / "scenario")],
        check=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    for made in sorted(folder.glob("*.csv")):
        assert made.read_text("utf-8") == (DEMO / made.name).read_text("utf-8"), made.name


# --- other outcomes --------------------------------------------------------------------------


def write_source(folder: Path, counts: dict[str, tuple[int, int]]) -> Path:
    """Deliveries with (right, answers)."""
    rows = [
        f"{delivery},2026-11-01,P{i},{int(i < right)}"
        for delivery, (right, n) in counts.items()
        for i in range(n)
    ]
    path = folder / "answers.csv"
    path.write_text(HEAD + "\n".join(rows) + "\n", "utf-8")
    return path


@pytest.mark.parametrize(
    ("counts", "code", "words"),
    [
        ({"a": (12, 36), "b": (12, 36), "c": (12, 36), "d": (16, 36)}, 0, "is qualified"),
        ({"a": (12, 36), "b": (12, 36), "c": (12, 36), "d": (17, 36)}, 3, "3 of 4 deliveries"),
        ({"a": (12, 36), "b": (12, 36), "c": (12, 36), "d": (18, 36)}, 3, "refused: d differs"),
        ({"a": (12, 36), "b": (12, 36), "c": (12, 36)}, 3, "3 of 3 deliveries are shown to be"),
        ({"a": (12, 36), "b": (12, 36), "c": (12, 36), "d": (4, 12)}, 3, "3 of 4 deliveries"),
    ],
)
def test_every_delivery_must_pass_by_itself(
    panels: Panels, uses: Path, counts: dict[str, tuple[int, int]], code: int, words: str
) -> None:
    ran = panels("uses", "source", uses / "source.yaml", write_source(uses, counts))
    assert (ran.code, words in said(ran.out)) == (code, True), ran.out


def test_good_deliveries_do_not_make_up_for_a_bad_one(panels: Panels, uses: Path) -> None:
    # Pooled, 54 of 144 would be similar with room to spare; one delivery in four is not.
    assert maximum_correct("triangle", 144, 0.4, 0.05) > 54
    answers = write_source(uses, {"a": (10, 36), "b": (10, 36), "c": (10, 36), "d": (24, 36)})
    ran = panels("uses", "source", uses / "source.yaml", answers)
    assert ran.code == 3
    assert "Deliveries differ among each other" in said(ran.out)


def test_risk_of_qualifying_a_source_with_a_bad_delivery_is_kept() -> None:
    rule = read_declaration(DEMO / "source.yaml", SourceRule)
    plan = plan_source(rule)
    rng = np.random.default_rng(3)
    most = plan.most_similar
    assert most is not None
    p_c = 1 / 3 + rule.share_of_discriminators * 2 / 3
    good = rng.binomial(36, 1 / 3, (20_000, 3)) <= most
    bad = rng.binomial(36, p_c, 20_000) <= most
    assert float((good.all(1) & bad).mean()) <= rule.beta
    same = rng.binomial(36, 1 / 3, (20_000, 4)) <= most
    assert float(same.all(1).mean()) == pytest.approx(plan.chance_if_same, abs=0.01)


def ratings(gaps: dict[str, float], people: int = 10, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(people):
        level = rng.normal(1.0, 0.4)
        rows += [
            (run, f"A{i}", level + gap + rng.normal(0, 0.4))
            for run, gap in gaps.items()
            for _ in range(2)
        ]
    return pd.DataFrame(rows, columns=["run", "assessor", "difference"])


def test_site_is_refused_or_left_open_when_a_run_is_off() -> None:
    rule = read_declaration(DEMO / "site.yaml", SiteRule)
    for gap, expected in (
        (0.3, SiteConclusion.APPROVED),
        (1.5, SiteConclusion.OPEN),
        (2.8, SiteConclusion.REFUSED),
    ):
        found = judge_site(rule, ratings({"control": 0.0, "r1": 0.2, "r2": 0.1, "r3": gap}))
        assert found.conclusion is expected, gap
    few = judge_site(rule, ratings({"control": 0.0, "r1": 0.2, "r2": 0.1}))
    assert few.conclusion is SiteConclusion.OPEN
    assert few.remarks == ("2 run(s) were rated; the declaration asks for 3.",)
    small = judge_site(rule, ratings({"control": 0.0, "a": 0, "b": 0, "c": 0}, people=6))
    assert small.conclusion is SiteConclusion.OPEN


@pytest.mark.full
def test_risk_of_approving_a_site_at_the_limit_is_kept() -> None:
    rule = read_declaration(DEMO / "site.yaml", SiteRule)
    approved = [
        judge_site(
            rule, ratings({"control": 0.0, "r1": 0.0, "r2": 0.0, "r3": 1.5}, people=8, seed=seed)
        ).conclusion
        is SiteConclusion.APPROVED
        for seed in range(300)
    ]
    assert np.mean(approved) <= 0.08


def test_those_who_cannot_notice_do_not_clear_a_lot(panels: Panels, uses: Path) -> None:
    table = pd.read_csv(uses / "off_note.csv")
    blind = table[table.assessor.isin(["A1", "A3", "A6", "A8", "A10", "A12"])]
    blind.to_csv(uses / "off_note.csv", index=False)
    ran = panels(
        "uses", "off-note", uses / "off_note.yaml", uses / "off_note.csv", uses / "records.csv"
    )
    assert ran.code == 3
    assert "0 assessor(s) who notice sulphury answered, and at least 4 must" in said(ran.out)


def test_a_panel_that_sees_nothing_is_not_judged_on_agreement(panels: Panels, uses: Path) -> None:
    rng = np.random.default_rng(2)
    table = pd.read_csv(uses / "trial.csv")
    table["score"] = np.round(rng.normal(6, 0.5, len(table)) * 2) / 2
    table.to_csv(uses / "trial.csv", index=False)
    ran = panels("uses", "choose", uses / "panel.yaml", uses / "trial.csv")
    assert "does not tell the products apart: agreement is not judged" in said(ran.out)


def test_charts_with_an_uncertain_centre_rarely_cry_wolf() -> None:
    rng = np.random.default_rng(1)
    settings = DriftSettings(baseline=10, resolution=0.5)
    alarms = 0
    for _ in range(30):
        scores = np.round((7.5 + rng.normal(0, 0.3, (9, 1)) + rng.normal(0, 0.45, (9, 24))) * 2) / 2
        sigma = pooled_sigma([row[:10].tolist() for row in scores])
        names = [str(i) for i in range(24)]
        alarms += sum(
            reference_drift(names, row.tolist(), settings, sigma=sigma).drifts_from is not None
            for row in scores
        )
    assert alarms / 270 < 0.06


# --- broken input ----------------------------------------------------------------------------


def faults(panels: Panels, *words: object) -> list[str]:
    ran = panels("uses", *words)
    assert ran.code == 2
    assert ran.out == ""
    assert "Traceback" not in ran.err
    return [line for line in said(ran.err).replace("Error: ", "").split("\n") if line]


def source_with(uses: Path, old: str, new: str) -> Path:
    path = uses / "source.yaml"
    path.write_text(path.read_text("utf-8").replace(old, new), "utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("beta: 0.05", "beta: 0.6", "beta is 0.6"),
        ("beta: 0.05", "beta: .nan", "beta is nan"),
        ("test: triangle", "test: triangel", "no forced-choice test is called 'triangel'"),
        ("deliveries: 4", "deliveries: 1", "deliveries is 1"),
        ("deliveries: 4", "delivery: 4", "delivery is not a key known here"),
        ("use: source", "use: site", "use is the text 'site'"),
        ("declared: 2026-10-05", "declared: soon", "declared is the text 'soon'"),
        ("assessments: 36", "assessments: -3", "assessments is -3"),
    ],
)
def test_declarations_that_cannot_be(
    panels: Panels, uses: Path, old: str, new: str, expected: str
) -> None:
    found = faults(panels, "source", source_with(uses, old, new), uses / "source.csv")
    assert expected in " ".join(found)
    assert "source.yaml, line" in " ".join(found)


def test_an_empty_declaration(panels: Panels, uses: Path) -> None:
    (uses / "source.yaml").write_text("", "utf-8")
    assert faults(panels, "source", uses / "source.yaml", uses / "source.csv")


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ("", "is empty"),
        (HEAD, "has a header but no rows"),
        ("delivery,date,assessor\n", "lacks the column correct"),
        (HEAD.replace("correct", "corect") + "a,2026-11-01,P1,1\n", "Did you mean correct?"),
        (HEAD + "a,2026-11-01,P1,2\n", "line 2: correct is the text '2'. It is 1 or 0."),
        (HEAD + "a,2026-10-05,P1,1\n", "is 2026-10-05, not after the declaration of 2026-10-05"),
        (HEAD + "a,01.11.2026,P1,1\n", "is the text '01.11.2026'"),
        (HEAD + "a,,P1,1\n", "date is empty"),
        (HEAD + "a,2026-11-01,,1\n", "assessor is empty"),
        (HEAD + "a,2026-11-01,=cmd(),1\n", "starts with '=', as a formula does."),
        (
            HEAD + "a,2026-11-01,P1,1\na,2026-11-01,P1,0\n",
            "line 3: assessor is 'P1', who answered for a in line 2",
        ),
        (
            HEAD.replace("correct", "correct,order") + "a,2026-11-01,P1,1,ABC\n",
            "order is the text 'ABC'. The triangle test has AAB, ABA, ABB, BAA, BAB, BBA.",
        ),
    ],
)
def test_answers_that_cannot_be(panels: Panels, uses: Path, table: str, expected: str) -> None:
    path = uses / "answers.csv"
    path.write_text(table, "utf-8")
    assert expected in " ".join(faults(panels, "source", uses / "source.yaml", path))


def test_all_faults_of_a_table_at_once(panels: Panels, uses: Path) -> None:
    path = uses / "answers.csv"
    path.write_text(HEAD + "a,2026-11-01,P1,x\na,2026-01-01,P2,1\n,2026-11-01,P3,1\n", "utf-8")
    ran = panels("uses", "source", uses / "source.yaml", path, "--json")
    assert ran.code == 2
    told = json.loads(ran.err)
    assert [fault["line"] for fault in told["error"]["faults"]] == [2, 3, 4]


def test_other_encodings_are_refused_plainly(panels: Panels, uses: Path) -> None:
    path = uses / "answers.csv"
    path.write_bytes((HEAD + "é,2026-11-01,P1,1\n").encode("latin-1"))
    assert "is not UTF-8" in " ".join(faults(panels, "source", uses / "source.yaml", path))
    missing = uses / "none.csv"
    assert "does not exist" in " ".join(faults(panels, "source", uses / "source.yaml", missing))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda t: t[t.run != "control"], "has no 'control'"),
        (lambda t: t.drop(t.index[5]), "has 1 rating(s) of run 1, and others 2"),
        (lambda t: t.assign(difference=11.0), "The scale runs from 0 (none) to 10."),
        (lambda t: t.assign(difference="inf"), "is the text 'inf'"),
        (lambda t: t[t.assessor == "A1"], "is one person"),
        (lambda t: t[t.run == "control"], "has no run besides the control"),
        (lambda t: t.assign(difference=2.0), "The ratings have no spread"),
    ],
)
def test_ratings_that_cannot_be(panels: Panels, uses: Path, change: object, expected: str) -> None:
    table = pd.read_csv(uses / "site.csv")
    change(table).to_csv(uses / "site.csv", index=False)  # type: ignore[operator]
    found = " ".join(faults(panels, "site", uses / "site.yaml", uses / "site.csv"))
    assert expected.lower() in found.lower()


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("A1,sulphury,13,12", "is 13 of 12"),
        ("A1,sulphury,1.5,12", "is the text '1.5'. Write a whole number."),
        ("A1,sulphury,0,0", "trials is 0"),
        ("A2,musty,1,12\nA2,musty,2,12", "A2 has musty in line 2 too"),
    ],
)
def test_records_that_cannot_be(panels: Panels, uses: Path, row: str, expected: str) -> None:
    (uses / "records.csv").write_text(f"assessor,off_note,correct,trials\n{row}\n", "utf-8")
    words = ("off-note", uses / "off_note.yaml", uses / "off_note.csv", uses / "records.csv")
    assert expected in " ".join(faults(panels, *words))


def test_answers_on_another_lot(panels: Panels, uses: Path) -> None:
    text = (uses / "off_note.csv").read_text("utf-8").replace("VK-CIT-2642", "VK-CIT-9999", 1)
    (uses / "off_note.csv").write_text(text, "utf-8")
    words = ("off-note", uses / "off_note.yaml", uses / "off_note.csv", uses / "records.csv")
    assert "names VK-CIT-9999. Give answers on VK-CIT-2642." in " ".join(faults(panels, *words))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda t: t.assign(score=12.0), "The scale runs from 0 to 10."),
        (lambda t: t.drop(t.index[3]), "and others 3"),
        (lambda t: t.assign(date="2026-08-31"), "not after the declaration of 2026-08-31"),
        (lambda t: t[t.date == "2026-09-07"], "has no replicates"),
        (lambda t: t[t.assessor.isin(["A1", "A2"])], "has 2 value(s)"),
    ],
)
def test_trials_that_cannot_be(panels: Panels, uses: Path, change: object, expected: str) -> None:
    table = pd.read_csv(uses / "trial.csv")
    change(table).to_csv(uses / "trial.csv", index=False)  # type: ignore[operator]
    found = " ".join(faults(panels, "choose", uses / "panel.yaml", uses / "trial.csv"))
    assert expected in found


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda t: t[t.sitting < "S06"], "has 5 sitting(s). The baseline needs 10."),
        (lambda t: pd.concat([t, t.iloc[:1]]), "scored the reference of S01 in line 2"),
        (lambda t: t.assign(date=["2026-09-16", *t.date[1:]]), "was on 2026-09-16 in an earlier"),
        (lambda t: t.assign(score=-1.0), "The scale runs from 0 to 10."),
    ],
)
def test_reference_scores_that_cannot_be(
    panels: Panels, uses: Path, change: object, expected: str
) -> None:
    table = pd.read_csv(uses / "reference.csv")
    change(table).to_csv(uses / "reference.csv", index=False)  # type: ignore[operator]
    found = " ".join(faults(panels, "monitor", uses / "panel.yaml", uses / "reference.csv"))
    assert expected in found


def test_plain_data() -> None:
    assert plain({"a": (math.inf, np.float64(1.5), np.int64(2), None)}) == {
        "a": [None, 1.5, 2, None]
    }
    with pytest.raises(TypeError, match="no plain form"):
        plain(object())


def test_the_worked_examples_print_what_they_show(
    panels: Panels, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(Path(__file__).resolve().parents[2])
    text = (DEMO / "README.md").read_text("utf-8")
    shown = re.findall(r"```console\n\$ panels (.*?)\n(.*?)```\n\nEnds with (\d)\.", text, re.S)
    assert len(shown) == 6
    for words, output, code in shown:
        ran = panels(*words.split())
        lines = [line.rstrip() for line in ran.out.splitlines()]
        assert (lines, ran.code) == (output.splitlines(), int(code)), words


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (("monitor", "panel.yaml", "reference.csv"), ("panel", "A10", "EWMA", "CUSUM down")),
        (("arrival", "arrival.yaml", "arrival.csv"), ("W-088", "W-091", "W-094", "accept")),
    ],
)
def test_pictures_show_every_name(
    panels: Panels,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, str, str],
    shown: tuple[str, ...],
) -> None:
    import matplotlib as mpl

    monkeypatch.setitem(mpl.rcParams, "svg.fonttype", "none")  # text stays text
    command = ("uses", words[0], DEMO / words[1], DEMO / words[2], "--out")
    drawn = panels(*command, tmp_path / "chart.svg")
    assert drawn.code in (0, 3)
    text = (tmp_path / "chart.svg").read_text("utf-8")
    assert all(name in text for name in shown)
    for path, said_of_it in (
        ("chart.txt", "is no picture"),
        ("none/chart.png", "cannot be written"),
    ):
        refused = panels(*command, tmp_path / path)
        assert (refused.code, said_of_it in refused.err) == (2, True)


@pytest.mark.parametrize(("right", "finding", "code"), [(13, "similar", 0), (17, "open", 3)])
def test_off_note_is_laid_to_rest_only_by_proof(
    panels: Panels, uses: Path, right: int, finding: str, code: int
) -> None:
    people = [f"B{i}" for i in range(40)]
    records = "assessor,off_note,correct,trials\n" + "".join(f"{p},sulphury,9,9\n" for p in people)
    answers = "lot,date,assessor,correct\n" + "".join(
        f"VK-CIT-2642,2026-12-18,{p},{int(i < right)}\n" for i, p in enumerate(people)
    )
    (uses / "records.csv").write_text(records, "utf-8")
    (uses / "off_note.csv").write_text(answers, "utf-8")
    files = (uses / "off_note.yaml", uses / "off_note.csv", uses / "records.csv")
    ran = panels("uses", "off-note", *files, "--json")
    assert (ran.json["result"]["finding"], ran.code) == (finding, code)
