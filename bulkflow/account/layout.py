"""The layouts of the account's tables, frozen; a later change is a later step."""

from __future__ import annotations

__all__ = ["POSTING_STATEMENTS", "POSTING_TABLE_NAMES", "STATEMENTS", "TABLE_NAMES"]

TABLE_NAMES = (
    "gauging",
    "movement_report",
    "bottling",
    "bottling_source",
    "bottling_code",
    "account_entry",
    "closing",
)

_KEY = "PRIMARY KEY (seq), FOREIGN KEY(seq) REFERENCES record (seq)"
_PLACED = "PRIMARY KEY (seq, place), FOREIGN KEY(seq) REFERENCES record (seq)"

STATEMENTS = (
    f"""
    CREATE TABLE gauging (
        seq INTEGER NOT NULL,
        load_id TEXT NOT NULL,
        liquid_id TEXT NOT NULL,
        side TEXT NOT NULL,
        on_day DATE NOT NULL,
        lpa BIGINT NOT NULL,
        as_lot TEXT,
        {_KEY}
    )
    """,
    "CREATE INDEX gauging_load ON gauging (load_id, side, seq)",
    "CREATE INDEX gauging_lot ON gauging (as_lot, seq)",
    f"""
    CREATE TABLE movement_report (
        seq INTEGER NOT NULL,
        load_id TEXT NOT NULL,
        kind TEXT NOT NULL,
        on_day DATE NOT NULL,
        {_KEY}
    )
    """,
    "CREATE INDEX movement_report_load ON movement_report (load_id, seq)",
    f"""
    CREATE TABLE bottling (
        seq INTEGER NOT NULL,
        bottling_id TEXT NOT NULL,
        site_id TEXT NOT NULL,
        product_id TEXT NOT NULL,
        on_day DATE NOT NULL,
        cases INTEGER NOT NULL,
        {_KEY}
    )
    """,
    "CREATE INDEX bottling_bottling ON bottling (bottling_id, seq)",
    "CREATE INDEX bottling_site ON bottling (site_id, on_day)",
    f"""
    CREATE TABLE bottling_source (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        bottling_id TEXT NOT NULL,
        kind TEXT NOT NULL,
        source_id TEXT NOT NULL,
        liquid_id TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        {_PLACED}
    )
    """,
    "CREATE INDEX bottling_source_source ON bottling_source (source_id, kind, seq)",
    "CREATE INDEX bottling_source_bottling ON bottling_source (bottling_id, seq)",
    f"""
    CREATE TABLE bottling_code (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        bottling_id TEXT NOT NULL,
        length INTEGER NOT NULL,
        first_code TEXT NOT NULL,
        last_code TEXT NOT NULL,
        {_PLACED}
    )
    """,
    "CREATE INDEX bottling_code_length ON bottling_code (length, seq)",
    f"""
    CREATE TABLE account_entry (
        seq INTEGER NOT NULL,
        site_id TEXT NOT NULL,
        liquid_id TEXT NOT NULL,
        kind TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        on_day DATE NOT NULL,
        {_KEY}
    )
    """,
    "CREATE INDEX account_entry_site ON account_entry (site_id, liquid_id, on_day)",
    f"""
    CREATE TABLE closing (
        seq INTEGER NOT NULL,
        site_id TEXT NOT NULL,
        quarter TEXT NOT NULL,
        {_KEY}
    )
    """,
    "CREATE INDEX closing_site ON closing (site_id, quarter)",
)

POSTING_TABLE_NAMES = ("posting", "posted")

POSTING_STATEMENTS = (
    """
    CREATE TABLE posting (
        seq INTEGER NOT NULL,
        number INTEGER NOT NULL,
        on_day DATE NOT NULL,
        happened DATE NOT NULL,
        place TEXT NOT NULL,
        liquid_id TEXT NOT NULL,
        holder TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        line TEXT NOT NULL,
        subject TEXT NOT NULL,
        taken_back BOOLEAN NOT NULL,
        PRIMARY KEY (seq, number), FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX posting_holder ON posting (holder, place, liquid_id, happened)",
    "CREATE INDEX posting_place ON posting (place, liquid_id, on_day)",
    "CREATE TABLE posted (seq INTEGER NOT NULL PRIMARY KEY REFERENCES record (seq))",
)
