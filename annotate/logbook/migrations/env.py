"""Run by Alembic: migrate over the connection that the logbook has opened and locked."""

from alembic import context

from annotate.logbook.glance import VERSION_TABLE
from annotate.logbook.schema import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
)
with context.begin_transaction():
    context.run_migrations()
