"""What may stand together among equipment: pure checks from plain values to problems.

A rule asks no database. The services call it with the facts as they would be after a change, the import with
the facts of a row, the maker of fleets with every combination of its columns; the database holds the same
rules for raw SQL (``sites.changes.sql_v1.rules``).
"""
