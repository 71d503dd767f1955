"""A made-up next release: an app whose migrations are one of each kind that an upgrade may have, on tables
that a fleet fills."""
