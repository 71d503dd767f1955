"""`ENGINE = "api.database.given"`: Django's PostgreSQL backend, which also notes its COMMITs."""

from api.database.commits import NotesCommits


class DatabaseWrapper(NotesCommits):
    pass
