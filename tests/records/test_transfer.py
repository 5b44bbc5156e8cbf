import io
import json

import pytest

from bulkflow.errors import InputError
from bulkflow.records import (
    RecordsError,
    append,
    append_many,
    export_records,
    head,
    import_records,
    open_store,
    records_in,
    settings_for,
    verify,
)

from .pieces import NOTE, NOTES, Note, ticking


def exported(store):
    stream = io.StringIO()
    with store.read() as session:
        export_records(session, stream)
    return stream.getvalue().split("\n")


def filled(store, ann, count=4):
    with store.write(ann, zone="Europe/Lisbon") as session:
        append_many(
            session,
            NOTE,
            [
                (Note(about=f"L{n}", says="ü\n", lpa="0.125", marks=("a",)), None)
                for n in range(count)
            ],
        )
    with store.write(ann) as session:
        append(session, NOTE, Note(about="L1", says="better"), supersedes=2)
    return exported(store)


@pytest.fixture
def other(tmp_path):
    settings = settings_for(".", str(tmp_path / "other.sqlite"))
    with open_store(settings, (NOTES,), clock=ticking()) as opened:
        yield opened


def bring(store, ann, lines, file="chain.jsonl"):
    with store.write(ann) as session:
        return import_records(session, lines, store.kinds, file=file)


def test_out_and_in_gives_the_same_chain(store, other, ann):
    lines = filled(store, ann)
    done = bring(other, ann, lines)
    with store.read() as one, other.read() as two:
        assert list(records_in(one)) == list(records_in(two))
        assert head(one) == head(two) == done.head
        found = verify(two, other.kinds)
        assert (found.records, found.broken) == (5, None)
    assert (done.in_file, done.added) == (5, 5)
    assert exported(other) == lines


def test_a_copy_is_brought_up_to_date(store, other, ann):
    bring(other, ann, filled(store, ann))
    with store.write(ann) as session:
        append(session, NOTE, Note(about="L9", says="new"))
    done = bring(other, ann, exported(store))
    assert (done.in_file, done.added) == (6, 1)
    with other.read() as session:
        assert verify(session, other.kinds).records == 6
    assert bring(other, ann, exported(store)).added == 0


def test_records_of_packages_that_are_not_here_are_kept_and_indexed_later(store, tmp_path, ann):
    lines = filled(store, ann)
    settings = settings_for(".", str(tmp_path / "third.sqlite"))
    with open_store(settings, ()) as bare:
        bring(bare, ann, lines)
    with open_store(settings, (NOTES,)) as opened, opened.read() as session:
        assert verify(session, opened.kinds).broken is None
        assert exported(opened) == lines


def changed(lines, number, change):
    record = json.loads(lines[number])
    change(record)
    text = json.dumps(record, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return [*lines[:number], text, *lines[number + 1 :]]


@pytest.mark.parametrize(
    ("spoil", "line", "says"),
    [
        (lambda ls: [], 0, "is empty"),
        (lambda ls: ["", " "], 0, "is empty"),
        (lambda ls: ["[]"], 1, "does not start with the line of an exported register"),
        (lambda ls: ls[1:], 1, "does not start with the line of an exported register"),
        (
            lambda ls: changed(ls, 0, lambda r: r.update(version=2)),
            1,
            "has format 'bulkflow.records' version 2",
        ),
        (lambda ls: [*ls[:2], *ls[3:]], 3, "record 2 is missing"),
        (lambda ls: [*ls[:2], ls[1], *ls[2:]], 3, "record 2 is missing"),
        (lambda ls: [ls[0], ls[2], ls[1], *ls[3:]], 2, "record 1 is missing"),
        (lambda ls: ls[:-2], 5, "the file ends at head 4:"),
        (
            lambda ls: changed(ls, 3, lambda r: r["body"].update(lpa="9.125")),
            4,
            "content gives the hash",
        ),
        (lambda ls: changed(ls, 3, lambda r: r.update(actor="Bob")), 4, "content gives the hash"),
        (lambda ls: changed(ls, 3, lambda r: r.pop("actor")), 4, "(see actor)"),
        (lambda ls: changed(ls, 3, lambda r: r.update(extra=1)), 4, "(see extra)"),
        (lambda ls: changed(ls, 3, lambda r: r.update(seq="3")), 4, "(see seq)"),
        (lambda ls: [*ls[:3], ls[3].replace('"body":', '"seq":1,"body":'), *ls[4:]], 4, "twice"),
        (lambda ls: [*ls[:3], ls[3].replace('"0.125"', "NaN"), *ls[4:]], 4, "NaN is not a number"),
        (lambda ls: [*ls[:3], ls[3][:40], *ls[4:]], 4, "does not read"),
        (lambda ls: [*ls[:3], "<script>", *ls[4:]], 4, "does not read"),
    ],
    ids=[
        "empty", "blank", "list", "no first line", "newer", "gap", "doubled", "swapped", "cut",
        "amount changed", "actor changed", "field gone", "field more", "wrong type", "key twice",
        "NaN", "half a line", "page",
    ],
)  # fmt: skip
def test_a_spoilt_file_is_refused_whole(other, tmp_path, ann, spoil, line, says):
    with open_store(settings_for(".", str(tmp_path / "from.sqlite")), (NOTES,)) as store:
        lines = filled(store, ann)
    with pytest.raises(InputError) as refused:
        bring(other, ann, spoil(list(lines)))
    (fault,) = refused.value.faults
    assert (fault.file, fault.line) == ("chain.jsonl", line)
    assert says in fault.found
    with other.read() as session:
        assert head(session).seq == 0


def test_another_chain_is_not_mixed_in(store, other, ann):
    with other.write(ann) as session:
        append(session, NOTE, Note(about="other", says="mine"))
    with pytest.raises(RecordsError, match=r"1 records that are not the beginning of chain\.jsonl"):
        bring(other, ann, filled(store, ann))
    with other.read() as session:
        assert head(session).seq == 1


def test_an_older_file_is_not_imported_over_a_longer_chain(store, ann):
    lines = filled(store, ann)
    with store.write(ann) as session:
        append(session, NOTE, Note(about="L9", says="new"))
    with pytest.raises(RecordsError, match="nothing to add"):
        bring(store, ann, lines)
