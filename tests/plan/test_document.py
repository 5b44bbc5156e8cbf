"""The plan as a document, as frames and as files: nothing lost, nothing run by a spreadsheet."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from bulkflow.errors import InputError
from bulkflow.plan.document import read_result, result_from_document, to_document
from bulkflow.plan.finding import Finding
from bulkflow.plan.frames import COLUMNS, to_frames
from bulkflow.plan.result import HoldCost, PlanResult
from bulkflow.plan.schema import SCHEMA_FILE, json_schema
from bulkflow.plan.write import refuse_unfit, safe_cell, write_companion, write_plan
from bulkflow.program.answer import RulePrice
from tests.plan import everything


def result() -> PlanResult:
    """A plan with something in every part of the document."""
    made = everything.result()
    hold = HoldCost("=LOT()", "DRY", "WORKS", "held", 9588.0, None, None, "-2+3", ())
    priced = replace(hold, lot_id="L-2", cost_as_is=1.5, saving_least=-1.0, saving_most=2.0)
    finding = Finding("warns", "@SUM(A1) is short", ("lanes[sea-east]",), "Careful.")
    return replace(
        made,
        holds=(hold, priced),
        findings=(finding,),
        explanations=(("DRY is short", "- the sea"),),
        register="records.sqlite",
        chain_head="3:abc",
    )


def test_the_shipped_schema_is_that_of_the_classes():
    assert json.loads(SCHEMA_FILE.read_text("utf-8")) == json_schema()


def test_a_document_reads_back_to_the_same_plan():
    text = json.dumps(to_document(result()), allow_nan=False)
    assert result_from_document(json.loads(text)) == result()


def test_a_plan_without_a_bound_reads_back():
    made = result()
    plan = replace(made.plan, proof=replace(made.plan.proof, bound=-math.inf))
    document = to_document(replace(made, plan=plan))
    assert document["proof"]["bound"] is None
    assert document["proof"]["gap"] is None
    assert result_from_document(document).plan == plan


def test_the_prices_of_a_proof_read_back_and_may_be_missing():
    made = result()
    price = RulePrice("balance", "site WORKS", "DRY", (0.5, -1.25), 0.0)
    plan = replace(made.plan, proof=replace(made.plan.proof, prices=(price,)))
    document = json.loads(json.dumps(to_document(replace(made, plan=plan))))
    assert result_from_document(document).plan == plan
    del document["proof"]["prices"]  # as in documents written before prices were kept
    assert result_from_document(document).plan.proof.prices == ()


KINDS: dict[str, Any] = {
    "object": dict, "array": list, "string": str, "boolean": bool, "null": type(None),
    "integer": int, "number": (int, float),
}  # fmt: skip


def conforms(value: Any, schema: dict[str, Any], root: dict[str, Any], path: str = "") -> list[str]:
    """Check a value against the parts of JSON Schema that ours uses; return what is wrong."""
    if "$ref" in schema:
        return conforms(value, root["$defs"][schema["$ref"].rsplit("/", 1)[-1]], root, path)
    if "anyOf" in schema:
        tried = [conforms(value, one, root, path) for one in schema["anyOf"]]
        return [] if any(not wrong for wrong in tried) else tried[0]
    if "type" in schema and not isinstance(value, KINDS[schema["type"]]):
        return [f"{path} is {value!r}, no {schema['type']}"]
    wrong = []
    if value not in schema.get("enum", [schema.get("const", value)]):
        wrong.append(f"{path} is {value!r}")
    if isinstance(value, dict):
        wrong += object_conforms(value, schema, root, path)
    if isinstance(value, list):
        for number, inner in enumerate(value):
            wrong += conforms(inner, schema.get("items", {}), root, f"{path}[{number}]")
    return wrong


def object_conforms(
    value: dict[str, Any], schema: dict[str, Any], root: dict[str, Any], path: str
) -> list[str]:
    known = schema.get("properties", {})
    wrong = [f"{path} lacks {name}" for name in schema.get("required", ()) if name not in value]
    if schema.get("additionalProperties") is False:
        wrong += [f"{path} has {name}" for name in value if name not in known]
    for name, inner in value.items():
        wrong += conforms(inner, known.get(name, {}), root, f"{path}.{name}")
    return wrong


def test_a_document_conforms_to_the_schema_and_a_changed_one_does_not():
    schema = json.loads(SCHEMA_FILE.read_text("utf-8"))
    document = to_document(result())
    assert conforms(document, schema, schema) == []
    document["loads"][0]["weight_kg"] = 3
    del document["proof"]["cost"]
    document["schema"] = "other/1"
    assert len(conforms(document, schema, schema)) == 3


BROKEN = [
    (lambda d: d.pop("schema"), "plan.json: schema holds no 'schema'."),
    (lambda d: d.update(schema="bulkflow-plan/9"), "schema has the schema 'bulkflow-plan/9'"),
    (lambda d: d["loads"][0].update(lane=3), "loads[0].lane is wrong"),
    (lambda d: d["costs"].pop("spirit"), "costs.spirit is wrong (field required)"),
    (lambda d: d["stocks"][2].update(released_lpa="much"), "stocks[2].released_lpa is wrong"),
    (lambda d: d.update(extra=1), "extra is wrong (extra inputs are not permitted)"),
    (lambda d: d["loads"][0]["parts"][0].update(lpa=float("inf")), "loads[0].parts[0].lpa is"),
]


@pytest.mark.parametrize(("breaks", "said"), BROKEN, ids=[said for _, said in BROKEN])
def test_a_broken_document_is_refused_with_its_place(breaks: Any, said: str):
    document = to_document(result())
    breaks(document)
    with pytest.raises(InputError) as caught:
        result_from_document(document, file="plan.json")
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not JSON"),
        (b"{", "is not JSON"),
        (b"[1, 2]", "holds no 'schema'"),
        (b'{"schema": NaN}', "is not JSON (NaN is no number in JSON)"),
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"[" * 100_000, "is not JSON"),
    ],
)
def test_a_file_that_is_no_plan_is_refused(tmp_path: Path, content: bytes, said: str):
    file = tmp_path / "plan.json"
    file.write_bytes(content)
    with pytest.raises(InputError, match=r"plan\.json") as caught:
        read_result(file)
    assert said in str(caught.value)


def test_a_missing_file_is_refused(tmp_path: Path):
    with pytest.raises(InputError, match="cannot be read"):
        read_result(tmp_path / "none.json")


# --- frames and files -------------------------------------------------------------------------


def test_frames_have_their_columns_and_all_rows():
    frames, plan = to_frames(result()), result().plan
    assert {name: tuple(frame.columns) for name, frame in frames.items()} == dict(COLUMNS)
    assert len(frames["loads"]) == sum(len(load.parts) for load in plan.loads)
    assert frames["loads"]["lpa"].sum() == pytest.approx(sum(load.lpa for load in plan.loads))
    assert len(frames["demand_served"]) == sum(len(row.served) for row in plan.demand)
    costs = frames["costs"].set_index("part")["amount"]
    assert costs["total"] == pytest.approx(plan.costs.total)


def test_an_empty_table_keeps_its_columns():
    made = replace(result(), plan=replace(result().plan, vattings=()))
    assert list(to_frames(made)["vattings"].columns) == list(COLUMNS["vattings"])


def test_columns_name_their_unit_or_stand_beside_a_currency():
    money = {"used", "limit", "amount", "cost", "bound", "price_per_lpa"}
    for name, columns in COLUMNS.items():
        if money & set(columns):
            assert "currency" in columns, name


def test_files_are_written_and_read_back(tmp_path: Path):
    folder = tmp_path / "out"
    files = write_plan(result(), folder)
    tables = {f"{name}.csv" for name in COLUMNS}
    assert {file.name for file in files} == {"plan.json", "written.json", *tables}
    assert read_result(folder / "plan.json") == result()
    loads = pd.read_csv(folder / "loads.csv")
    assert loads["lpa"].sum() == pytest.approx(sum(load.lpa for load in result().plan.loads))
    assert [one.name for one in tmp_path.iterdir()] == ["out"]


def test_no_cell_starts_a_formula(tmp_path: Path):
    write_plan(result(), tmp_path / "out")
    cells = []
    for file in (tmp_path / "out").glob("*.csv"):
        text = file.read_bytes().decode("utf-8")
        cells += [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
    assert "'=LOT()" in cells
    assert "'@SUM(A1) is short" in cells
    for cell in cells:
        is_number = cell.lstrip("-").replace(".", "").replace("e", "").isdigit()
        assert is_number or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1"])
def test_every_start_of_a_formula_is_made_text(text: str):
    assert safe_cell(text) == f"'{text}"


def test_an_earlier_plan_is_replaced_with_its_companions(tmp_path: Path):
    folder = tmp_path / "out"
    write_plan(result(), folder)
    write_companion(folder, "report.html", lambda file: file.write_text("page"))
    write_plan(replace(result(), findings=()), folder)
    assert read_result(folder / "plan.json").findings == ()
    assert not (folder / "report.html").exists()  # it was of the plan before


@pytest.mark.parametrize("name", ["thesis.docx", "demand.csv", "plan.json", "notes"])
def test_a_file_that_was_not_written_here_is_never_overwritten(tmp_path: Path, name: str):
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / name).write_text("years of work")
    with pytest.raises(InputError, match=rf"holds other files \({name}\)"):
        write_plan(result(), folder)
    assert {one.name: one.read_text() for one in folder.iterdir()} == {name: "years of work"}


def test_a_file_changed_since_it_was_written_is_never_overwritten(tmp_path: Path):
    folder = tmp_path / "out"
    write_plan(result(), folder)
    (folder / "loads.csv").write_text("with my remarks")
    (folder / "mine.csv").write_text("mine")
    with pytest.raises(InputError) as refused:
        write_plan(result(), folder)
    assert "holds files that were changed since they were written (loads.csv)" in str(refused.value)
    assert "holds other files (mine.csv)" in str(refused.value)
    assert (folder / "loads.csv").read_text() == "with my remarks"


def test_no_companion_takes_the_place_of_another_file(tmp_path: Path):
    folder = tmp_path / "out"
    write_plan(result(), folder)
    (folder / "report.html").write_text("mine")
    with pytest.raises(InputError, match="holds other files"):
        write_companion(folder, "report.html", lambda file: file.write_text("x"))
    assert (folder / "report.html").read_text() == "mine"


def test_what_a_killed_process_left_is_no_other_file(tmp_path: Path):
    folder = tmp_path / "out"
    write_plan(result(), folder)
    (folder / ".report.html.0123456789abcdef").write_text("half a pa")
    write_plan(result(), folder)


def test_a_list_of_what_was_written_that_cannot_be_read_is_refused(tmp_path: Path):
    folder = tmp_path / "out"
    write_plan(result(), folder)
    (folder / "written.json").write_text("[]")
    with pytest.raises(InputError, match=r"is not the list of files that was written here"):
        write_plan(result(), folder)


def test_the_folder_one_is_in_is_refused(tmp_path: Path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="is the folder you are in"):
        refuse_unfit(Path())


def test_a_failure_on_the_way_leaves_the_earlier_plan(tmp_path: Path, monkeypatch):
    folder = tmp_path / "out"
    write_plan(result(), folder)
    before = {file.name: file.read_bytes() for file in folder.iterdir()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("bulkflow.plan.write.os.fsync", full)
    with pytest.raises(InputError, match="cannot be written \\(No space left on device\\)"):
        write_plan(replace(result(), findings=()), folder)
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    assert [one.name for one in tmp_path.iterdir()] == ["out"]


def test_a_file_in_the_way_is_refused(tmp_path: Path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError, match="is not a folder"):
        write_plan(result(), tmp_path / "out")
