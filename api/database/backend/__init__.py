"""A Django database backend: PostgreSQL, on an embedded server that starts with the first connection."""
