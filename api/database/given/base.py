"""`ENGINE = "api.database.given"`: Django's PostgreSQL backend, which also notes its COMMITs and looks
at its socket."""

from api.database.commits import NotesCommits
from api.database.usable import LooksBeforeItAsks


class DatabaseWrapper(NotesCommits, LooksBeforeItAsks):
    pass
