"""The SQL by which the database holds the rules that cross rows (``sites.rules``, ``zones.rules``).

What one row can break is a CHECK or a key of its table. What depends on another row is checked here:

- by a statement trigger over all new rows at once (``hold``), where the other row is there before: a model of
  the right kind, a run that such a source feeds, a row that the block has, a thing that stands then;
- by a deferred trigger on the few rows that can break it afterwards (``hold_later``): a thing that ends while
  something uses it, a run or block of another kind, a device on a port. An import ends things after it has
  written what is left of them, so these are judged at the end of the transaction.

Refusals carry SQLSTATE 23000 and the name of the rule, which ``sites.changes.constraints`` puts into words.
"""

# ruff: noqa: S608 - what is put into the SQL are the names in this module and in migrations
from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

_REFUSE = """RAISE EXCEPTION '{table}: {name}' USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = '{name}';"""


class Check(NamedTuple):
    """A rule by its name, and what breaks it. For new rows: ``asked`` sums them up by the ``id`` of the row
    of ``target`` that decides, so that each is looked up once, by its key; ``broken`` names the two ``n``
    and ``t``. For a row that is judged later: joins and a condition."""

    name: str
    broken: str
    asked: str = ""
    target: str = ""

    @property
    def exists(self) -> str:
        # OFFSET 0 keeps the look-up a look-up: joined, a table without statistics would be gone through for
        # each of the new rows
        return (
            f"SELECT FROM ({self.asked}) AS n, "
            f'LATERAL (SELECT * FROM "{self.target}" AS known WHERE known.id = n.id OFFSET 0) AS t '
            f"WHERE {self.broken}"
        )


def of_kind(table: str, kinds: Sequence[str]) -> Check:
    """A thing is of a model of its own kind."""
    listed = ", ".join(f"'{kind}'" for kind in kinds)
    asked = "SELECT DISTINCT model_id AS id FROM written WHERE model_id IS NOT NULL"
    return Check(f"{table}_model_of_its_kind", f"t.kind NOT IN ({listed})", asked, "device_model")


def stands(table: str, column: str, target: str, thing: str = "") -> Check:
    """What a row names stands as long as the row holds. ``thing``: as of ``User``."""
    asked = (
        f"SELECT {column} AS id, min(first_step) AS first_step, max(last_end) AS last_end FROM written "
        f"WHERE {column} IS NOT NULL GROUP BY {column}"
    )
    broken = "n.first_step < t.begin_step OR n.last_end > t.end_step"
    if thing:
        broken += f" OR t.end_step IS NOT NULL AND EXISTS ({User(table, column, thing).past_the_end('t')})"
    return Check(f"{table}_{column.removesuffix('_id')}_stands", broken, asked, target)


def stood(table: str, column: str, target: str) -> Check:
    """What a thing names where that is not dated does not end before the thing does."""
    return stands(table, column, target)._replace(broken="n.last_end > t.end_step")


def hold(
    table: str, checks: Sequence[Check], columns: Sequence[str], *, more: str = "", step: str = ""
) -> str:
    """SQL that holds each INSERT and UPDATE of a table to the checks.

    They look at the new rows in one pass, summed up by ``columns``, with the first step, the last end and
    ``more`` sums. ``step``: the column of the step, by default that of facts. A thing holds until it ends;
    facts, as far as their row says, at their step.
    """
    step = step or ("step" if table.endswith("_facts") else "begin_step")
    last_end = f"max(coalesce(end_step, {2**63 - 1}))" if step == "begin_step" else f"max({step}) + 1"
    listed = ", ".join(columns)
    cases = "".join(f"\n        WHEN EXISTS ({check.exists}) THEN '{check.name}'" for check in checks)
    return f"""
CREATE FUNCTION zonebook_{table}_rules() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    broken text;
BEGIN
    WITH written AS MATERIALIZED (
        SELECT {listed}, min({step}) AS first_step, {last_end} AS last_end{more}
        FROM new_rows GROUP BY {listed}
    )
    SELECT CASE{cases} END INTO broken;
    IF broken IS NOT NULL THEN
        RAISE EXCEPTION '% breaks rule %', TG_TABLE_NAME, broken USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = broken;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER {table}_rules_inserted AFTER INSERT ON "{table}" REFERENCING NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{table}_rules();
CREATE TRIGGER {table}_rules_updated AFTER UPDATE ON "{table}" REFERENCING NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{table}_rules();
"""


class Later(NamedTuple):
    """Rules that a row of ``table`` can break for other rows. ``event``: of a row trigger; ``when``: which
    rows are looked at, if not all; the checks are judged on the row ``n`` as it is at the end."""

    name: str
    table: str
    event: str
    when: str
    checks: Sequence[Check]


def hold_later(later: Later) -> str:
    """SQL that judges a row at the end of its transaction."""
    key = "(n.endpoint_id, n.step) = (NEW.endpoint_id, NEW.step)" if later.table.endswith("_facts") else ""
    tests = "".join(
        f"""
    IF EXISTS (
        SELECT FROM "{later.table}" n {check.broken} AND {key or "n.id = NEW.id"}
    ) THEN
        {_REFUSE.format(table=later.table, name=check.name)}
    END IF;"""
        for check in later.checks
    )
    when = f"WHEN ({later.when}) " if later.when else ""
    return f"""
CREATE FUNCTION zonebook_{later.name}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN{tests}
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER {later.name} AFTER {later.event} ON "{later.table}"
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW {when}EXECUTE FUNCTION zonebook_{later.name}();
"""


class User(NamedTuple):
    """Rows of ``table`` that name a thing in ``column``. ``thing``: whose dated facts they are; blank: they
    are things themselves."""

    table: str
    column: str
    thing: str = ""

    def past_the_end(self, ended: str = "n") -> str:
        """Such rows that outlast the thing ``ended``."""
        if not self.thing:
            late = f"u.end_step IS NULL OR u.end_step > {ended}.end_step"
            return f'SELECT FROM "{self.table}" u WHERE u.{self.column} = {ended}.id AND ({late})'
        thing = "point" if self.table == "point_facts" else self.thing
        until = (
            f'(SELECT min(l.step) FROM "{self.table}" l WHERE l.{thing}_id = f.{thing}_id '
            "AND l.step > f.step)"
        )
        return (
            f'SELECT FROM "{self.table}" f JOIN "{self.thing}" u ON u.id = f.{self.thing}_id '
            f"WHERE f.site_id = {ended}.site_id AND f.{self.column} = {ended}.id "
            f"AND coalesce(least(u.end_step, {until}), {ended}.end_step + 1) > {ended}.end_step"
        )


def ends(table: str, users: Sequence[User], facts: Sequence[str] = ()) -> Later:
    """Nothing outlasts what it names, and no facts of a thing are later than its end. What is added later is
    held to that by ``stands``."""
    outlasted = " OR ".join(f"EXISTS ({user.past_the_end()})" for user in users)
    stale = " OR ".join(
        f'EXISTS (SELECT FROM "{of}" f WHERE f.{table if of != "switch_port_facts" else "port"}_id = n.id '
        "AND f.step >= n.end_step)"
        for of in facts
    )
    broken = " OR ".join(filter(None, [outlasted, stale]))
    return Later(
        f"{table}_ended",
        table,
        "UPDATE",
        "NEW.end_step IS NOT NULL AND OLD.end_step IS DISTINCT FROM NEW.end_step",
        [Check(f"{table}_in_use", f"WHERE n.end_step IS NOT NULL AND ({broken})")],
    )
