"""Alembic's entry: runs the revisions on the connection it is given, in the caller's transaction."""

import logging

from alembic import context

logging.getLogger("alembic").setLevel(logging.WARNING)  # what it does is ours to say
context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
