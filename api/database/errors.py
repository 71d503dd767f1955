"""What can go wrong with the embedded database. Each message says where, and what would be right."""


class EmbeddedDatabaseError(Exception):
    """The embedded database cannot be used as things are."""
