"""The SQL by which the database itself holds the record, as the first migrations install it.

Frozen: migrations that have run somewhere import it. What changes is a new package beside it, used by a new
migration.

How a write is held to its change set
-------------------------------------
A transaction inserts its change set as ``accepted`` (or turns a draft into one), which gives it a step, and
names it: ``SET LOCAL zonebook.change_set = '41'``. Statement triggers with transition tables on every table
of the record then (1) refuse rows that name another change set, or one that was not accepted in this very
transaction, or one of another site; (2) refuse what no change set may do (rewrite facts instead of
superseding them, delete plant); (3) write one ``change`` row a statement, table and site; (4) mark the site
for a recheck where the rows feed a load. There are no row triggers on plant: a bulk write pays for one pass
over its rows.

A bulk writer of many sites names ``SET LOCAL zonebook.change_set = 'each row'``: then every row must itself
carry a change set accepted in this transaction for its site, and only INSERT and COPY are possible.

The JSON of change rows leaves out NULLs: a key that is absent was NULL.

Refusals carry SQLSTATE 23000 and a constraint name, as those of constraints do, so that one table
(``sites.changes.constraints``) puts all of them into words.
"""

# SECURITY DEFINER, because the service's role may not write the change record by itself.
DEFINER = "SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp"
