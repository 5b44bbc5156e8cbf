"""Signed acts: who has a key signs all that is recorded in their name, and forgeries are found."""

from __future__ import annotations

import shutil

import pytest
from sqlalchemy import text

from bulkflow.errors import InputError
from bulkflow.records import Actor, append, open_store, settings_for, verify
from bulkflow.records.actors import Appointment, Role
from bulkflow.records.errors import RecordsError, RefusedError
from bulkflow.records.signing import (
    KEY_FILE,
    KEY_PASSWORD,
    SIGNATURE,
    register_key,
    withdraw_key,
)
from bulkflow.records.store import change_role
from tests.records.pieces import NOTE, NOTES, Note

pytest.importorskip("cryptography")

ANN, BEN = Actor("Ann", "shared"), Actor("Ben", "shared")


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.delenv(KEY_FILE, raising=False)
    monkeypatch.delenv(KEY_PASSWORD, raising=False)
    with open_store(settings_for(tmp_path), (NOTES,)) as found:
        with found.write(ANN) as session:
            register_key(session, tmp_path / "ann.pem", "begins to sign")
        monkeypatch.setenv(KEY_FILE, str(tmp_path / "ann.pem"))
        yield found


def note(store, actor, words):
    with store.write(actor) as session:
        return append(session, NOTE, Note(about="t", says=words))


def broken(store):
    with store.read() as session:
        found = verify(session, store.kinds, store.checks).broken
    return str(found) if found else ""


def test_acts_of_who_has_a_key_are_signed_and_verify(store, tmp_path):
    assert (tmp_path / "ann.pem").stat().st_mode & 0o077 == 0
    note(store, ANN, "one")
    note(store, BEN, "of someone without a key")
    with store.write(ANN) as session:
        for words in ("two", "three"):
            append(session, NOTE, Note(about="t", says=words))
    with store.read() as session:
        rows = session.execute(text("select kind, actor from record order by seq")).all()
    assert [tuple(row) for row in rows] == [
        ("person key", "Ann"), ("signature", "Ann"), ("note", "Ann"), ("signature", "Ann"),
        ("note", "Ben"), ("note", "Ann"), ("note", "Ann"), ("signature", "Ann"),
    ]  # fmt: skip
    assert broken(store) == ""


def test_nobody_acts_in_the_name_of_who_signs_without_the_key(store, tmp_path, monkeypatch):
    monkeypatch.delenv(KEY_FILE)
    with pytest.raises(
        RecordsError, match="Ann signs what is recorded in that name since record 1"
    ):
        note(store, ANN, "false")
    monkeypatch.setenv(KEY_FILE, str(tmp_path / "ben.pem"))
    with store.write(BEN) as session:
        register_key(session, tmp_path / "ben.pem", "begins to sign")
    with pytest.raises(RecordsError, match="is another one"):
        note(store, ANN, "false")
    (tmp_path / "ben.pem").write_text("no key")
    with pytest.raises(InputError, match="is no private key"):
        note(store, BEN, "false")
    monkeypatch.setenv(KEY_FILE, str(tmp_path / "gone.pem"))
    with pytest.raises(InputError, match="cannot be read"):
        note(store, ANN, "false")
    assert broken(store) == ""


@pytest.mark.parametrize("trick", ["no signature", "another key", "a copied signature"])
def test_whoever_writes_into_the_database_in_a_name_that_signs_is_found(
    store, tmp_path, monkeypatch, trick
):
    """With the program's own code, chain and index whole: only the signature is lacking."""
    note(store, ANN, "true")
    monkeypatch.setattr("bulkflow.records.store.begin_signing", lambda session: None)
    if trick == "another key":
        with store.write(BEN) as session:
            register_key(session, tmp_path / "other", "Ben's")
            bens = session.info["bulkflow.signer"]
        sign = {"bulkflow.signer": bens}
        monkeypatch.setattr("bulkflow.records.store.begin_signing", lambda s: s.info.update(sign))
    if trick == "a copied signature":
        with store.read() as session:
            old = session.execute(
                text("select body from record where kind = 'signature' order by seq desc")
            ).scalar()

        again = SIGNATURE.read(1, old)
        monkeypatch.setattr(
            "bulkflow.records.store.sign_session", lambda s: append(s, SIGNATURE, again)
        )
    false = note(store, ANN, "false")
    said = {
        "no signature": f"record {false.seq}: is in the name of Ann, who signs, and no signature",
        "another key": f"record {false.seq + 1}: is no signature by the key of Ann",
        "a copied signature": f"record {false.seq + 1}: signs another record than the one before",
    }
    assert broken(store).startswith(said[trick])


def test_a_forged_act_between_two_true_ones_is_not_covered_by_the_later_signature(
    store, monkeypatch
):
    with monkeypatch.context() as patch:
        patch.setattr("bulkflow.records.store.begin_signing", lambda session: None)
        false = note(store, ANN, "false")
    note(store, ANN, "true")
    assert f"leaves record {false.seq} unsigned, in the name of Ann" in broken(store)


def test_a_key_that_was_lost_is_withdrawn_by_its_owner_or_who_appoints(
    store, tmp_path, monkeypatch
):
    with store.write(ANN) as session:
        change_role(
            session, Appointment(person="Ben", role=Role.OWNER, action="appoint", reason="x")
        )
    with store.write(BEN) as session, pytest.raises(RecordsError, match="Carl has registered no"):
        withdraw_key(session, "Carl", "lost")
    with store.write(BEN) as session:
        withdraw_key(session, "Ann", "the file was lost")
    monkeypatch.delenv(KEY_FILE)
    with store.write(Actor("Ann", "ann")) as session, pytest.raises(RecordsError, match="no role"):
        register_key(session, tmp_path / "new.pem", "anew")
    with pytest.raises(RefusedError), store.write(ANN) as session:
        withdraw_key(session, "Ben", "not mine to do")
    assert broken(store) == ""


def test_a_key_is_withdrawn_by_a_signed_act_and_a_new_one_registered(store, tmp_path, monkeypatch):
    with store.write(ANN) as session:
        withdraw_key(session, "Ann", "a new machine")
    monkeypatch.delenv(KEY_FILE)
    note(store, ANN, "unsigned in between")
    monkeypatch.setenv(KEY_PASSWORD, "a long one")
    with store.write(ANN) as session:
        register_key(session, tmp_path / "second.pem", "a new machine")
    monkeypatch.setenv(KEY_FILE, str(tmp_path / "second.pem"))
    note(store, ANN, "signed again")
    assert broken(store) == ""
    assert b"ENCRYPTED" in (tmp_path / "second.pem").read_bytes()
    monkeypatch.setenv(KEY_PASSWORD, "another")
    with pytest.raises(InputError, match="its password is another one"):
        note(store, ANN, "false")
    shutil.copy(tmp_path / "ann.pem", tmp_path / "second.pem")
    with pytest.raises(InputError, match="is no private key, or its password"):
        note(store, ANN, "false")
