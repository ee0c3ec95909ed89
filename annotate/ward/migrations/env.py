"""Run by Alembic: migrate over the connection that the ward has opened."""

from alembic import context

from annotate.ward.schema import VERSION_TABLE, Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
)
with context.begin_transaction():
    context.run_migrations()
