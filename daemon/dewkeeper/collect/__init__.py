"""Sending on what is stored to a PostgreSQL server that keeps many sites. Imported only where `[collect]` is set."""
