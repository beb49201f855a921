"""Alembic's entry: runs the revisions on the connection it is given, in the caller's transaction, or writes them as SQL."""

import logging

from alembic import context

logging.getLogger("alembic").setLevel(logging.WARNING)  # what it does is ours to say
if context.is_offline_mode():
    context.configure(dialect_name="sqlite", transactional_ddl=False)
else:
    context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
