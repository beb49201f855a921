"""Every schema the database ever had, as Alembic's revisions, from one to the next."""
