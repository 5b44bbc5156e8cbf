"""The first layout of the loads' index tables, frozen; a later change is a later step."""

from __future__ import annotations

__all__ = ["STATEMENTS", "TABLE_NAMES"]

TABLE_NAMES = ("load", "load_share", "load_step", "tank_acceptance")

STATEMENTS = (
    """
    CREATE TABLE load (
        seq INTEGER NOT NULL,
        load_id TEXT NOT NULL,
        lane_id TEXT NOT NULL,
        origin TEXT NOT NULL,
        destination TEXT NOT NULL,
        tank_type TEXT NOT NULL,
        loading_day DATE NOT NULL,
        lpa BIGINT NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX load_load ON load (load_id, seq)",
    "CREATE INDEX load_day ON load (loading_day, load_id)",
    "CREATE INDEX load_lane ON load (lane_id, loading_day)",
    "CREATE INDEX load_destination ON load (destination, loading_day)",
    """
    CREATE TABLE load_share (
        seq INTEGER NOT NULL,
        place INTEGER NOT NULL,
        load_id TEXT NOT NULL,
        lot_id TEXT NOT NULL,
        lpa BIGINT NOT NULL,
        to_come BOOLEAN NOT NULL,
        PRIMARY KEY (seq, place),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX load_share_lot ON load_share (lot_id, seq)",
    """
    CREATE TABLE load_step (
        seq INTEGER NOT NULL,
        load_id TEXT NOT NULL,
        state TEXT NOT NULL,
        on_day DATE NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX load_step_load ON load_step (load_id, seq, state)",
    """
    CREATE TABLE tank_acceptance (
        seq INTEGER NOT NULL,
        load_id TEXT NOT NULL,
        tank_number TEXT NOT NULL,
        examined_on DATE NOT NULL,
        PRIMARY KEY (seq),
        FOREIGN KEY(seq) REFERENCES record (seq)
    )
    """,
    "CREATE INDEX tank_acceptance_load ON tank_acceptance (load_id, seq)",
    "CREATE INDEX tank_acceptance_tank ON tank_acceptance (tank_number, seq)",
)
