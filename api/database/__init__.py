"""The database: a private PostgreSQL server where none is given, and what any PostgreSQL must be to be used.

`embedded.join` is the entry. Below it, from the outside in: `cluster` (make, start, stop one server),
`location` (where it lies), `programs` (whose binaries), `account` (as whom it runs), `locks`. These need the
standard library only, since `reaper` runs them in a process of its own that outlives a killed service."""


class EmbeddedDatabaseError(Exception):
    """The embedded database cannot be used. The message says where, and what would be right."""
