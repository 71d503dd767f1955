"""What search finds: an entry for each thing, with the words that people say of it and of its site.

Every write of the record, through any channel, leaves a row in ``change``, so one trigger there
keeps the entries. ``doc`` holds the words of a thing and of its site, ``own`` those of the thing alone. What
identifies a thing (whole name, MAC, serial, address, telephone number) is a word that begins with ``=``,
without spaces and punctuation; one that begins with ``#`` names the customer, so that the index narrows to
those in scope. ``search_word`` holds the words of each customer, for what is misspelt; one that no entry has
any more may stay.

Tickets and jobs have no entry: the indexes of cases and change sets lead to them.
"""

# ruff: noqa: S608 - what is put into the SQL are the names in this module
from __future__ import annotations

from typing import Final

from sites.changes.sql_v1 import DEFINER

# Kinds with their numbers: those to which people refer first come first
KINDS: Final = {
    "customer": 1, "site": 2, "model": 3, "closet": 4, "zone": 5, "run": 6, "block": 7, "endpoint": 8,
    "switch": 9, "supply": 10, "amplifier": 11, "contact": 12, "point": 13,
}  # fmt: skip
# Kinds of the three partial indexes: a search looks in each for so many candidates
GROUPS: Final = ("kind <= 3", "kind BETWEEN 4 AND 5", "kind > 5")

WORDS: Final = r"""
CREATE FUNCTION zonebook_words(said text) RETURNS text[] LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
RETURN array_remove(regexp_split_to_array(zonebook_folded(said), '[[:space:][:punct:]]+'), '');

CREATE FUNCTION zonebook_squashed(said text) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
RETURN regexp_replace(zonebook_folded(said), '[[:space:][:punct:]]+', '', 'g');

CREATE FUNCTION zonebook_digits(said text) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
-- Without the extension, and without what is dialled before an area code: 7 digits tell numbers apart
RETURN regexp_replace(regexp_replace(lower(said), '(ext|x|#|;).*$', ''), '[^0-9]', '', 'g');

CREATE FUNCTION zonebook_keys(VARIADIC said text[]) RETURNS text[] LANGUAGE sql IMMUTABLE PARALLEL SAFE
RETURN (
    SELECT coalesce(array_agg('=' || zonebook_squashed(one)), '{}') FROM unnest(said) one
    WHERE zonebook_squashed(one) <> ''
);

CREATE FUNCTION zonebook_telephone(said text) RETURNS text[] LANGUAGE sql IMMUTABLE PARALLEL SAFE
RETURN CASE WHEN length(zonebook_digits(said)) >= 6
            THEN ARRAY['=tel' || right(zonebook_digits(said), 7)] ELSE '{}' END;
"""

TABLES: Final = f"""
CREATE TABLE search_entry (
    kind smallint NOT NULL, thing_id bigint NOT NULL, customer_id bigint, site_id bigint,
    ended boolean NOT NULL, own tsvector NOT NULL, doc tsvector NOT NULL, PRIMARY KEY (kind, thing_id)
);
CREATE INDEX search_entry_of_site ON search_entry (site_id);
{
    "".join(
        f"CREATE INDEX search_entry_words_{number} ON search_entry USING gin (doc) WHERE {group};"
        for number, group in enumerate(GROUPS, 1)
    )
}
CREATE TABLE search_word (customer_id bigint, word text COLLATE "C" NOT NULL CHECK (length(word) <= 500));
CREATE INDEX search_word_once ON search_word (word, customer_id);
CREATE INDEX search_word_like ON search_word USING gin (word gin_trgm_ops);
"""
TABLES_GO: Final = "DROP TABLE search_entry; DROP TABLE search_word;"

_LAST = (
    "(SELECT {column} FROM {table}_facts f WHERE f.site_id = t.site_id AND f.{table}_id = t.id "
    "ORDER BY f.step DESC LIMIT 1)"
)


def _on_site(
    kind: str,
    said: str,
    keys: str = "'{}'",
    *,
    where: str = "NULL",
    closet: str = "NULL::bigint",
    more: str = "",
) -> str:
    ended = "false" if kind in ("contact", "point") else "t.end_step IS NOT NULL"
    title = more or "t.name"
    return f"""
    SELECT {KINDS[kind]}::smallint, t.id, t.site_id, {ended}, {title}::text,
           {said}, {keys}, {where}, {closet} FROM "{kind}" t"""


def _in_closet(kind: str, keys: str = "'{}'", where: str = "NULL") -> str:
    return _on_site(kind, "t.name", keys, where=where, closet="t.closet_id")


# For each thing: its title, what people say of it, what identifies it, where it is within its site
SOURCE: Final = f"""
CREATE VIEW search_source (kind, thing_id, site_id, ended, title, said, keys, place, closet_id) AS
    SELECT {KINDS["customer"]}::smallint, t.id, NULL::bigint, false, t.name::text, t.name || ' ' || t.code,
           zonebook_keys(t.code), NULL, NULL::bigint FROM customer t
    UNION ALL
    SELECT {KINDS["model"]}::smallint, t.id, NULL::bigint, false, t.name::text, t.name::text,
           zonebook_keys(t.name), NULL, NULL::bigint FROM device_model t
    UNION ALL
    SELECT {KINDS["site"]}::smallint, t.id, t.id, false, t.name::text,
           concat_ws(' ', t.name, t.code, t.address, t.postal_code, t.city),
           zonebook_keys(t.code) || zonebook_telephone(t.out_of_hours_phone),
           concat_ws(', ', nullif(t.address, ''), nullif(t.city, '')), NULL::bigint FROM site t
    UNION ALL {
    " UNION ALL ".join(
        [
            _on_site(
                "closet",
                "concat_ws(' ', t.name, t.building, t.floor, t.room)",
                where="concat_ws(', ', nullif(t.building, ''), nullif(t.floor, ''), nullif(t.room, ''))",
                closet="t.id",
            ),
            _on_site(
                "zone",
                "concat_ws(' ', t.name, t.page_code, zonebook_joined(t.groups))",
                "zonebook_keys(t.page_code)",
            ),
            _on_site("run", "t.name", closet="(SELECT b.closet_id FROM block b WHERE b.id = t.block_id)"),
            _in_closet("block"),
            _on_site(
                "endpoint",
                "concat_ws(' ', t.name, t.place)",
                "zonebook_keys(t.serial, t.mac, "
                + _LAST.format(column="f.page_code", table="endpoint")
                + ") || array_remove(ARRAY['=' || host("
                + _LAST.format(column="f.address", table="endpoint")
                + ")], NULL)",
                where="nullif(t.place, '')",
                closet="t.closet_id",
            ),
            _in_closet("switch", "zonebook_keys(t.serial)"),
            _in_closet("supply"),
            _in_closet("amplifier"),
            _on_site(
                "contact",
                "concat_ws(' ', t.name, t.email)",
                "zonebook_telephone(t.phone)",
                where="nullif(t.phone, '')",
                closet="t.closet_id",
            ),
        ]
    )
}
    UNION ALL
    SELECT {KINDS["point"]}::smallint, t.id, t.site_id, false, t.name::text, f.place::text, '{{}}', f.place,
           (SELECT b.closet_id FROM run r JOIN block b ON b.id = r.block_id WHERE r.id = t.run_id)
    FROM point t CROSS JOIN LATERAL (
        SELECT f.place FROM point_facts f
        WHERE f.site_id = t.site_id AND f.run_id = t.run_id AND f.point_id = t.id ORDER BY f.step DESC LIMIT 1
    ) f
    WHERE f.place <> '';
"""

# By table of the record: the kind whose entries its rows are of, and the column that says which
_OF: Final = {
    **{kind: (kind, "id") for kind in KINDS if kind not in ("site", "model", "point")},
    "device_model": ("model", "id"),
    "endpoint_facts": ("endpoint", "endpoint_id"),
    "point_facts": ("point", "point_id"),
}
_CASES: Final = "\n".join(
    f"        WHEN '{table}' THEN its_kind := {KINDS[kind]}; its_id := '{column}';"
    for table, (kind, column) in _OF.items()
)

_KEPT: Final = f"""
    WITH source AS ({{source}}), around AS MATERIALIZED (
        SELECT id, customer_id,
               zonebook_words(concat_ws(' ', name, code, address, postal_code, city)) AS words
        FROM site WHERE id IN (SELECT site_id FROM source)
    ), made AS (
        SELECT s.kind, s.thing_id, CASE s.kind WHEN {KINDS["customer"]} THEN s.thing_id
                   ELSE site.customer_id END AS customer_id,
               s.site_id, s.ended, zonebook_words(s.said) AS words,
               s.keys || CASE s.kind WHEN {KINDS["point"]} THEN '{{{{}}}}'
                   ELSE zonebook_keys(s.title) END AS keys,
               coalesce(site.words, '{{{{}}}}') AS around
        FROM source s LEFT JOIN around site ON site.id = s.site_id
    ), kept AS (
        INSERT INTO search_entry AS e (kind, thing_id, customer_id, site_id, ended, own, doc)
        SELECT kind, thing_id, customer_id, site_id, ended, array_to_tsvector(words),
               array_to_tsvector(words || keys || around || ('#' || coalesce(customer_id, 0)))
        FROM made
        ON CONFLICT (kind, thing_id) DO UPDATE SET
            (customer_id, site_id, ended, own, doc)
            = (excluded.customer_id, excluded.site_id, excluded.ended, excluded.own, excluded.doc)
        WHERE (e.customer_id, e.ended, e.own, e.doc)
              IS DISTINCT FROM (excluded.customer_id, excluded.ended, excluded.own, excluded.doc)
        RETURNING e.customer_id, e.own
    )
    INSERT INTO search_word (customer_id, word)
    SELECT k.customer_id, k.word FROM (
        SELECT DISTINCT customer_id, unnest(tsvector_to_array(own)) AS word FROM kept
    ) k WHERE NOT EXISTS (
        SELECT FROM search_word w WHERE w.word = k.word AND w.customer_id = k.customer_id
    ) AND NOT (k.customer_id IS NULL AND EXISTS (
        SELECT FROM search_word w WHERE w.word = k.word AND w.customer_id IS NULL
    ));
"""
# Planned once a connection, since to plan the thirteen kinds costs more than to look at one of them; along
# the indexes, since the tables may be empty then and long soon after
_PLANNED: Final = f"""{DEFINER} SET plan_cache_mode = force_generic_plan
    SET enable_seqscan = off SET enable_hashjoin = off SET enable_mergejoin = off"""
KEEPING: Final = f"""
CREATE FUNCTION zonebook_search_keep(of_kind smallint, ids bigint[]) RETURNS void
LANGUAGE plpgsql {_PLANNED} AS $$
BEGIN
{_KEPT.format(source="SELECT * FROM search_source WHERE kind = of_kind AND thing_id = ANY (ids)")}
END $$;

CREATE FUNCTION zonebook_search_keep_site(of_site bigint) RETURNS void
LANGUAGE plpgsql {_PLANNED} AS $$
BEGIN
{_KEPT.format(source="SELECT * FROM search_source WHERE site_id = of_site")}
END $$;
"""

FOLLOWING: Final = f"""
CREATE FUNCTION zonebook_search_follow() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
DECLARE
    its_kind smallint;
    its_id text;
    ids bigint[];
BEGIN
    CASE NEW.table_name
        WHEN 'site' THEN
            PERFORM zonebook_search_keep_site((one ->> 'id')::bigint)
            FROM jsonb_array_elements(NEW.new_rows) one
            WHERE NEW.operation = 'insert' OR EXISTS (
                SELECT FROM jsonb_array_elements(NEW.old_rows) was
                WHERE was ->> 'id' = one ->> 'id'
                  AND (was ->> 'name', was ->> 'code', was ->> 'address', was ->> 'postal_code',
                       was ->> 'city', was ->> 'out_of_hours_phone', was ->> 'customer_id')
                      IS DISTINCT FROM
                      (one ->> 'name', one ->> 'code', one ->> 'address', one ->> 'postal_code',
                       one ->> 'city', one ->> 'out_of_hours_phone', one ->> 'customer_id'));
            RETURN NULL;
        WHEN 'point' THEN
            IF NEW.operation = 'insert' THEN
                RETURN NULL;  -- its place is in its facts, which follow
            END IF;
            its_kind := {KINDS["point"]}; its_id := 'id';
{_CASES}
        ELSE RETURN NULL;
    END CASE;
    SELECT array_agg(DISTINCT (one ->> its_id)::bigint) INTO ids
    FROM jsonb_array_elements(coalesce(NEW.new_rows, '[]') || coalesce(NEW.old_rows, '[]')) one
    WHERE NEW.table_name <> 'point_facts' OR one ->> 'place' <> '';
    IF ids IS NOT NULL THEN
        IF NEW.operation <> 'insert' THEN
            DELETE FROM search_entry e WHERE e.kind = its_kind AND e.thing_id = ANY (ids) AND NOT EXISTS (
                SELECT FROM search_source s WHERE s.kind = its_kind AND s.thing_id = e.thing_id);
        END IF;
        PERFORM zonebook_search_keep(its_kind, ids);
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER change_searched AFTER INSERT ON change
    FOR EACH ROW EXECUTE FUNCTION zonebook_search_follow();
"""
