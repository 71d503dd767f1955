"""The SQL that came after ``sql_v1``: a change set that is withdrawn whole on the day it was recorded, which
edits of a site's own row mark it, columns with a check, what search looks in, and how sites follow an edit of
the catalogue or of what opens a case.

Frozen once released: databases have it. A change is a new package beside it, used by a new migration.
"""
