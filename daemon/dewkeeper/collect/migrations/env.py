"""Alembic's entry: runs the steps on the connection it is given, in the caller's transaction."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"], transactional_ddl=True, version_table="collect_version",
    version_table_schema="dewkeeper",
)  # fmt: skip
context.run_migrations()
