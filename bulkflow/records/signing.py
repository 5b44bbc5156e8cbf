"""Signed acts: a key for each person, and a signature at the end of each act.

A person keeps a private key (Ed25519) in a file of their own; its public half is registered by a
record. From then on what is recorded in their name is signed: the last record of a writing
session is a signature over the digest of the record before it, which covers, link by link, all
that the session wrote. :func:`signature_fault` finds what is not signed, or by another key.

Needs the extra ``signed`` (the library ``cryptography``), and only where there are keys.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal

from pydantic import Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.errors import Fault, InputError
from bulkflow.records.actors import LONGEST_NAME, Power, powers_of
from bulkflow.records.chain import acting, append, first_written, head, records_in, require
from bulkflow.records.errors import RecordsError
from bulkflow.records.kinds import Body, Kind
from bulkflow.records.schema import RECORD

__all__ = [
    "KEY_FILE",
    "KEY_PASSWORD",
    "PERSON_KEY",
    "SIGNATURE",
    "begin_signing",
    "keys_of",
    "register_key",
    "sign_session",
    "signature_fault",
    "withdraw_key",
]

KEY_FILE = "BULKFLOW_KEY"
"""Environment variable that names the file of the acting person's private key."""
KEY_PASSWORD = "BULKFLOW_KEY_PASSWORD"
"""Environment variable with the password of that file, where it has one."""

_SIGNER = "bulkflow.signer"
_CONTEXT = b"bulkflow-signature-1:"  # a signature for this and nothing else


class PersonKey(Body):
    """A person's public key, from here on; or, withdrawn, that it counts no more."""

    person: str = Field(min_length=1, max_length=LONGEST_NAME)
    public_key: str = Field(pattern=r"^[0-9a-f]{64}$")
    withdrawn: Literal[True] | None = None
    reason: str = Field(min_length=1)


class Signature(Body):
    """A person's signature of the records from ``first`` on up to the one before this.

    ``digest`` is the hash of that record, and what is signed.
    """

    person: str
    first: int
    digest: str = Field(pattern=r"^[0-9a-f]{64}$")
    signature: str = Field(pattern=r"^[0-9a-f]{128}$")


PERSON_KEY = Kind(name="person key", body=PersonKey, subject=lambda body: body.person)
SIGNATURE = Kind(name="signature", body=Signature, subject=lambda body: body.person)


# --- keys --------------------------------------------------------------------------------------


def keys_of(session: Session) -> dict[str, tuple[int, str]]:
    """Return the standing key of each person who has one: its record, and the key."""
    return _standing(records_in(session, kinds=[PERSON_KEY.name]))


def _standing(records: Any) -> dict[str, tuple[int, str]]:
    found: dict[str, tuple[int, str]] = {}
    for record in records:
        body = PERSON_KEY.read(record.version, record.body)
        if body.withdrawn:
            found.pop(body.person, None)
        else:
            found[body.person] = (record.seq, body.public_key)
    return found


def register_key(session: Session, file: Path, reason: str) -> tuple[Any, bool]:
    """Register the public half of the acting person's key; make the key where there is no file.

    Returns
    -------
    tuple : the record, and whether the file was made.

    Raises
    ------
    RecordsError
        If the person has a key already, or no role; or the file holds no such key.
    """
    person = acting(session).actor.name
    if person in keys_of(session):
        mend = "Withdraw it first (--withdraw)."
        raise RecordsError(f"{person} has registered a key already. {mend}")
    if not powers_of(session, person):
        raise RecordsError(f"{person} has no role in the register, and needs no key")
    made = not file.exists()
    private = _made(file) if made else _private(file)
    session.info[_SIGNER] = private
    body = PersonKey(person=person, public_key=_public(private), reason=reason)
    return append(session, PERSON_KEY, body), made


def withdraw_key(session: Session, person: str, reason: str) -> Any:
    """Withdraw a person's key: their own, or (who may appoint) another's.

    Raises
    ------
    RecordsError
        If they have none.
    RefusedError
        If it is another's and the acting person may not appoint.
    """
    if person != acting(session).actor.name:
        require(session, Power.APPOINT, f"withdraw the key of {person}")
    standing = keys_of(session).get(person)
    if standing is None:
        raise RecordsError(f"{person} has registered no key")
    body = PersonKey(person=person, public_key=standing[1], withdrawn=True, reason=reason)
    return append(session, PERSON_KEY, body)


# --- signing -----------------------------------------------------------------------------------


def begin_signing(session: Session) -> None:
    """Let a writing session sign at its end, where its acting person has registered a key.

    Raises
    ------
    RecordsError
        If they have, and it is not at hand.
    """
    person = acting(session).actor.name
    standing = keys_of(session).get(person)
    if standing is None:
        return
    seq, public = standing
    name = os.environ.get(KEY_FILE)
    signs = f"{person} signs what is recorded in that name since record {seq}"
    if not name:
        raise RecordsError(f"{signs}: name the file of the key in {KEY_FILE}, or act as another")
    private = _private(Path(name))
    if _public(private) != public:
        raise RecordsError(f"{signs}, but the key in {name} is another one")
    session.info[_SIGNER] = private


def sign_session(session: Session) -> None:
    """Sign what a session wrote, where its acting person signs."""
    private, first = session.info.get(_SIGNER), first_written(session)
    if private is None or first is None:
        return
    digest = head(session).hash
    signed = bytes(private.sign(_CONTEXT + digest.encode()))
    person = acting(session).actor.name
    body = Signature(person=person, first=first, digest=digest, signature=signed.hex())
    append(session, SIGNATURE, body)


# --- verifying ---------------------------------------------------------------------------------


@dataclass
class _Person:
    """What is known of a person's signing up to a record."""

    public: str = ""
    unsigned: int = 0  # the first record that waits for its signature
    before: str = ""  # the key that stood then


def signature_fault(session: Session) -> tuple[int, str] | None:
    """Return the first record in the name of a person who signs that is not signed, and words."""
    people: dict[str, _Person] = {}
    named = {record.subject for record in records_in(session, kinds=[PERSON_KEY.name])}
    if not named:
        return None
    query = (
        select(RECORD).where(RECORD.c.actor.in_(sorted(named)) | (RECORD.c.kind == PERSON_KEY.name))
    ).order_by(RECORD.c.seq)
    for row in session.execute(query).mappings():
        actor = people.setdefault(row["actor"], _Person())
        if row["kind"] == SIGNATURE.name:
            fault = _wrong(session, row, actor)
            if fault:
                return int(row["seq"]), fault
            actor.unsigned = 0
            continue
        if actor.public and not actor.unsigned:
            actor.unsigned, actor.before = int(row["seq"]), actor.public
        if row["kind"] == PERSON_KEY.name:
            body = PERSON_KEY.read(row["version"], row["body"])
            owner = people.setdefault(body.person, _Person())
            owner.public = "" if body.withdrawn else body.public_key
    waiting = [(one.unsigned, name) for name, one in people.items() if one.unsigned]
    if waiting:
        seq, name = min(waiting)
        return seq, f"is in the name of {name}, who signs, and no signature follows"
    return None


def _wrong(session: Session, row: Any, actor: _Person) -> str:
    """Return what is wrong with a signature; empty where nothing is."""
    body = SIGNATURE.read(row["version"], row["body"])
    public = actor.before if actor.unsigned else actor.public
    if not public:
        return f"signs for {row['actor']}, who had registered no key"
    if actor.unsigned and body.first > actor.unsigned:
        return f"leaves record {actor.unsigned} unsigned, in the name of {row['actor']}"
    before = session.scalar(select(RECORD.c.hash).where(RECORD.c.seq == row["seq"] - 1))
    if body.digest != before or body.digest != row["previous"]:
        return "signs another record than the one before it"
    others = session.scalar(
        select(RECORD.c.actor).where(
            RECORD.c.seq.between(body.first, row["seq"]), RECORD.c.actor != row["actor"]
        )
    )
    if others is not None:
        return f"signs for {row['actor']} what {others} recorded"
    with _library() as library:
        key = library.ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
        try:
            key.verify(bytes.fromhex(body.signature), _CONTEXT + body.digest.encode())
        except library.InvalidSignature:
            return f"is no signature by the key of {row['actor']}"
    return ""


# --- the library -------------------------------------------------------------------------------


@contextmanager
def _library() -> Iterator[Any]:
    try:
        from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError as error:
        raise RecordsError(
            "this register has signed acts: install the extra (pip install 'bulkflow[signed]')"
        ) from error
    yield SimpleNamespace(
        InvalidSignature=InvalidSignature,
        UnsupportedAlgorithm=UnsupportedAlgorithm,
        serialization=serialization,
        ed25519=ed25519,
    )


def _password() -> bytes | None:
    given = os.environ.get(KEY_PASSWORD)
    return given.encode() if given else None


def _made(file: Path) -> Any:
    """Return a new private key, written to a file that only its owner reads."""
    with _library() as library:
        form, password = library.serialization, _password()
        private = library.ed25519.Ed25519PrivateKey.generate()
        closed = (
            form.BestAvailableEncryption(password) if password is not None else form.NoEncryption()
        )
        text = private.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, closed)
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(text)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        fault = Fault(str(file), 0, "", f"cannot be written ({reason})", "Name another file.")
        raise InputError(fault) from error
    return private


def _private(file: Path) -> Any:
    with _library() as library:
        try:
            text = file.read_bytes()
            key = library.serialization.load_pem_private_key(text, _password())
        except OSError as error:
            reason = error.strerror or type(error).__name__
            fault = Fault(str(file), 0, "", f"cannot be read ({reason})", "Check its name.")
            raise InputError(fault) from error
        except (ValueError, TypeError, library.UnsupportedAlgorithm) as error:
            mend = f"Give a file made by records key; its password, if any, in {KEY_PASSWORD}."
            found = "is no private key, or its password is another one"
            raise InputError(Fault(str(file), 0, "", found, mend)) from error
        if not isinstance(key, library.ed25519.Ed25519PrivateKey):
            raise InputError(Fault(str(file), 0, "", "is no Ed25519 key", "Make one: records key."))
        return key


def _public(private: Any) -> str:
    return str(private.public_key().public_bytes_raw().hex())
