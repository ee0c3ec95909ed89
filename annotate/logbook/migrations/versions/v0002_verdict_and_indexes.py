"""The verdict as a column that the database reads out of the Reading, and indexes for the usual questions."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """From version 1 to version 2; no entry changes, so every hash stays."""
    sqlite = op.get_bind().dialect.name == "sqlite"
    verdict = (
        sa.Computed("json_extract(reading, '$.verdict')", persisted=False)
        if sqlite
        else sa.Computed("(reading::json ->> 'verdict')", persisted=True)
    )
    op.add_column("entry", sa.Column("verdict", sa.Text, verdict))
    op.create_index("entry_patient", "entry", ["patient", "number"])
    op.create_index("entry_film", "entry", ["film", "number"])
    op.create_index("entry_time", "entry", ["time"])
