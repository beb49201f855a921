"""Alembic's entry: runs the migrations on the connection it is given, each in the caller's transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
