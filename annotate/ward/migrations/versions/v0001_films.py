"""Films, readings, deliveries, accounts, sessions and the access log."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

TIME = sa.DateTime(timezone=True)
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """From nothing to version 1."""
    op.create_table(
        "film",
        sa.Column("id", sa.String(16), primary_key=True),
        sa.Column("object_key", sa.String(64), nullable=False, unique=True),
        sa.Column("received", TIME, nullable=False),
        sa.Column("source", sa.String(64), nullable=False),
        sa.Column("status", sa.String(16), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("holder", sa.String(36)),
        sa.Column("held_until", TIME),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("answered", TIME),
        sa.Column("identifiers", sa.LargeBinary),
        sa.Column("patient", sa.String(64)),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("rank", sa.Integer, nullable=False),
        sa.Column("rank_within", sa.Float, nullable=False),
        sa.Column("reading", NUMBER),
        sa.Column("pixels_gone", TIME),
    )
    op.create_index("film_received", "film", ["received"])
    op.create_index("film_status", "film", ["status", "received"])
    op.create_index("film_patient", "film", ["patient", "received"])
    op.create_table(
        "reading",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=True),
        sa.Column("film", sa.String(16), sa.ForeignKey("film.id"), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("reader", sa.String(100), nullable=False),
        sa.Column("decision", sa.String(24), nullable=False),
        sa.Column("answer", sa.Text, nullable=False),
        sa.Column("summary", sa.Text, nullable=False),
        sa.Column("headline", sa.Text, nullable=False),
        sa.Column("place", sa.Text, nullable=False),
        sa.Column("screen", sa.Text, nullable=False),
    )
    op.create_index("reading_film", "reading", ["film", "number"])
    op.create_table(
        "delivery",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=True),
        sa.Column("film", sa.String(16), sa.ForeignKey("film.id"), nullable=False),
        sa.Column("reading", NUMBER, sa.ForeignKey("reading.number"), nullable=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("due", TIME, nullable=False),
        sa.Column("done", TIME),
        sa.Column("trouble", sa.Text, nullable=False),
    )
    op.create_index("delivery_due", "delivery", ["done", "due"])
    _people()


def _people() -> None:
    op.create_table(
        "account",
        sa.Column("name", sa.String(100), primary_key=True),
        sa.Column("role", sa.String(16), nullable=False),
        sa.Column("password", sa.String(200), nullable=False),
        sa.Column("made", TIME, nullable=False),
    )
    op.create_table(
        "session",
        sa.Column("cookie", sa.String(64), primary_key=True),
        sa.Column("name", sa.String(100), nullable=False),
        sa.Column("roles", sa.String(64), nullable=False),
        sa.Column("form_token", sa.String(64), nullable=False),
        sa.Column("ends", TIME, nullable=False),
    )
    op.create_table(
        "access",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=True),
        sa.Column("time", TIME, nullable=False),
        sa.Column("name", sa.String(100), nullable=False),
        sa.Column("what", sa.String(40), nullable=False),
        sa.Column("film", sa.String(16)),
    )
    op.create_index("access_film", "access", ["film", "time"])
