"""The record database: append-only, chained by hashes, each record with its acting person.

Packages above declare kinds of record and index tables on it (:class:`Component`), open it with
:func:`open_store` and append with :func:`append`. See :mod:`bulkflow.records.engine` for how
concurrent writers keep one chain, and :mod:`bulkflow.records.canonical` for what is hashed.
"""

from __future__ import annotations

from bulkflow.records.actors import Actor, Appointment, Power, Refusal, Role
from bulkflow.records.chain import (
    Head,
    Record,
    append,
    append_many,
    head,
    is_current,
    records_about,
    records_in,
    require,
)
from bulkflow.records.errors import (
    DatabaseError,
    NewerDatabaseError,
    RecordsError,
    RefusedError,
)
from bulkflow.records.kinds import Body, Component, IndexRow, Kind, Step
from bulkflow.records.settings import Settings, masked_url, settings_for
from bulkflow.records.store import Store, change_role, open_store
from bulkflow.records.transfer import export_records, import_records
from bulkflow.records.verification import Verification, check_head, verify

__all__ = [
    "Actor",
    "Appointment",
    "Body",
    "Component",
    "DatabaseError",
    "Head",
    "IndexRow",
    "Kind",
    "NewerDatabaseError",
    "Power",
    "Record",
    "RecordsError",
    "Refusal",
    "RefusedError",
    "Role",
    "Settings",
    "Step",
    "Store",
    "Verification",
    "append",
    "append_many",
    "change_role",
    "check_head",
    "export_records",
    "head",
    "import_records",
    "is_current",
    "masked_url",
    "open_store",
    "records_about",
    "records_in",
    "require",
    "settings_for",
    "verify",
]
