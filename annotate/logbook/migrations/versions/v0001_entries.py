"""The entries, and triggers that let nobody change or remove one."""

from datetime import UTC, datetime
from uuid import uuid4

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

SQLITE_TRIGGERS = (
    """
    CREATE TRIGGER entry_next BEFORE INSERT ON entry
    WHEN NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entry)
      OR NEW.previous_hash <> coalesce((SELECT hash FROM entry ORDER BY number DESC LIMIT 1), :first)
      OR EXISTS (SELECT 1 FROM entry WHERE supersedes = NEW.supersedes)
    BEGIN SELECT RAISE(ABORT, 'logbook: an entry goes after the last one'); END
    """,
    *(
        f"""
        CREATE TRIGGER {table}_{event} BEFORE {event} ON {table}
        BEGIN SELECT RAISE(ABORT, 'logbook: entries are only added'); END
        """
        for table in ("entry", "logbook")
        for event in ("update", "delete")
    ),
)
"""REPLACE removes rows without their DELETE trigger: what it could hit is refused before the insert."""

POSTGRESQL_TRIGGERS = (
    """
    CREATE FUNCTION entry_next() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entry)
           OR NEW.previous_hash <> coalesce((SELECT hash FROM entry ORDER BY number DESC LIMIT 1), :first)
        THEN RAISE EXCEPTION 'logbook: an entry goes after the last one';
        END IF;
        RETURN NEW;
    END $$
    """,
    """
    CREATE FUNCTION only_added() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'logbook: entries are only added'; END $$
    """,
    "CREATE TRIGGER entry_next BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION entry_next()",
    *(
        f"CREATE TRIGGER {table}_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION only_added()"
        for table in ("entry", "logbook")
    ),
)

FIRST = f"'{'0' * 64}'"


def upgrade() -> None:
    """From nothing to version 1."""
    sqlite = op.get_bind().dialect.name == "sqlite"
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    time = sa.DateTime(timezone=True)
    logbook = op.create_table(
        "logbook",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("made", time, nullable=False),
    )
    op.create_table(
        "entry",
        sa.Column("number", number, primary_key=True, autoincrement=False),
        sa.Column("time", time, nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("film", sa.String(64), nullable=False),
        sa.Column("patient", sa.String(64)),
        sa.Column("reader", sa.String(100), nullable=False),
        sa.Column("inputs", sa.Text, nullable=False),
        sa.Column("landmarks", sa.Text, nullable=False),
        sa.Column("reading", sa.Text, nullable=False),
        sa.Column("supersedes", number, sa.ForeignKey("entry.number"), unique=True),
        sa.Column("software", sa.String(64), nullable=False),
        sa.Column("weights", sa.String(64), nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False, unique=True),
        sa.CheckConstraint("kind IN ('reading', 'practice')", name="entry_kind"),
    )
    op.bulk_insert(logbook, [{"id": str(uuid4()), "made": datetime.now(UTC)}])
    for trigger in SQLITE_TRIGGERS if sqlite else POSTGRESQL_TRIGGERS:
        op.execute(trigger.replace(":first", FIRST))
