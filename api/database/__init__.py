"""The database: a private PostgreSQL server where none is given, and what the service requires of any server.

`embedded.join` is the entry. Below it, from the outside in: `cluster` (make, start, stop one server),
`location` (where it lies), `programs` (whose binaries), `account` (as whom it runs), `locks`. These import
the standard library only, since `reaper` runs them in a small process of its own."""


class EmbeddedDatabaseError(Exception):
    """The embedded database cannot be used. The message says where, and what would be right."""
