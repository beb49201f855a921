"""The server's schema, a step a file, in plain SQL. Its version table is its own."""
