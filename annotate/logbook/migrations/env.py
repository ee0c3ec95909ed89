"""Run by Alembic: migrate over the connection that the logbook has opened and locked."""

from alembic import context

from annotate.logbook.schema import VERSION_TABLE, Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
)
with context.begin_transaction():
    context.run_migrations()
