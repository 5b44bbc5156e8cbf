"""The layouts of the register's index tables, step by step, frozen.

A later change is a later step: this text stays as it is, so that a database made by an earlier
program and one made today go through the same steps. The types are those both databases know.
"""

from __future__ import annotations

__all__ = ["DRAW_STATEMENTS", "FROM_LOAD_STATEMENTS", "STATEMENTS", "TABLE_NAMES"]

TABLE_NAMES = (
    "lot",
    "lot_parent",
    "lot_restriction",
    "lot_market",
    "lab_result",
    "lab_limit",
    "release_rule",
    "decision",
    "gate_override",
    "expectation",
    "lot_hold",
    "retained_sample",
    "disposition",
    "site",
)

STATEMENTS = (
    """
    CREATE TABLE lot (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        liquid_id TEXT NOT NULL,
        stage TEXT,
        origin TEXT NOT NULL,
        made_on DATE,
        site_id TEXT NOT NULL,
        tank_id TEXT,
        litres_20c BIGINT NOT NULL,
        strength_percent BIGINT NOT NULL,
        lpa BIGINT NOT NULL,
        spirit_base TEXT,
        supplier_id TEXT,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_liquid ON lot (liquid_id, lot_id)",
    "CREATE INDEX lot_lot ON lot (lot_id, seq)",
    "CREATE INDEX lot_site ON lot (site_id, lot_id)",
    "CREATE INDEX lot_supplier ON lot (supplier_id, lot_id)",
    """
    CREATE TABLE lot_parent (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        parent_id TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        disposition INTEGER,
        PRIMARY KEY (seq, place),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_parent_child ON lot_parent (lot_id, parent_id)",
    "CREATE INDEX lot_parent_parent ON lot_parent (parent_id, lot_id, disposition, lpa, seq)",
    """
    CREATE TABLE lot_restriction (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        restriction TEXT NOT NULL,
        PRIMARY KEY (seq, place),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_restriction_word ON lot_restriction (restriction, seq)",
    """
    CREATE TABLE lot_market (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        market TEXT NOT NULL,
        PRIMARY KEY (seq, place),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_market_word ON lot_market (seq, market)",
    """
    CREATE TABLE lab_result (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        analyte TEXT NOT NULL,
        value BIGINT NOT NULL,
        qualifier TEXT NOT NULL,
        unit TEXT NOT NULL,
        measured_on DATE,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lab_result_lot ON lab_result (lot_id, analyte, value, qualifier, unit, seq)",
    """
    CREATE TABLE lab_limit (
        seq INTEGER NOT NULL,
        liquid_id TEXT NOT NULL,
        market TEXT,
        analyte TEXT NOT NULL,
        unit TEXT NOT NULL,
        minimum BIGINT,
        maximum BIGINT,
        required BOOLEAN NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lab_limit_liquid ON lab_limit (liquid_id, analyte)",
    """
    CREATE TABLE release_rule (
        seq INTEGER NOT NULL,
        liquid_id TEXT NOT NULL,
        rule_id TEXT NOT NULL,
        rule_version INTEGER NOT NULL,
        decided_by TEXT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX release_rule_liquid ON release_rule (liquid_id, seq)",
    """
    CREATE TABLE decision (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        outcome TEXT NOT NULL,
        decided_by TEXT NOT NULL,
        rule_record INTEGER,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX decision_lot ON decision (lot_id, seq, outcome, decided_by)",
    """
    CREATE TABLE gate_override (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        gate TEXT NOT NULL,
        PRIMARY KEY (seq, place),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX gate_override_lot ON gate_override (lot_id, gate, seq)",
    """
    CREATE TABLE expectation (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        due_on DATE NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX expectation_lot ON expectation (lot_id, seq, due_on)",
    """
    CREATE TABLE lot_hold (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_hold_lot ON lot_hold (lot_id, seq)",
    """
    CREATE TABLE retained_sample (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        sample_id TEXT NOT NULL,
        expires_on DATE,
        gone_on DATE,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX retained_sample_expiry ON retained_sample (expires_on)",
    "CREATE INDEX retained_sample_lot ON retained_sample (lot_id, seq)",
    "CREATE INDEX retained_sample_sample ON retained_sample (sample_id, seq)",
    """
    CREATE TABLE disposition (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        way TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX disposition_lot ON disposition (lot_id, way, lpa, seq)",
    """
    CREATE TABLE site (
        seq INTEGER NOT NULL,
        site_id TEXT NOT NULL,
        zone TEXT NOT NULL,
        rounding TEXT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX site_site ON site (site_id, seq)",
)

DRAW_STATEMENTS = (
    """
    CREATE TABLE lot_draw (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        load_id TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_draw_lot ON lot_draw (lot_id, lpa, seq)",
    "CREATE INDEX lot_draw_load ON lot_draw (load_id, seq)",
)

FROM_LOAD_STATEMENTS = (
    """
    CREATE TABLE lot_from_load (
        seq INTEGER NOT NULL,
        lot_id TEXT NOT NULL,
        load_id TEXT NOT NULL,
        liquid_id TEXT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX lot_from_load_lot ON lot_from_load (lot_id, seq)",
    "CREATE INDEX lot_from_load_load ON lot_from_load (load_id, seq)",
)
