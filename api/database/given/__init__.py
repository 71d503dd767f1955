"""The Django database backend for a server that `DATABASE_URL` names."""
