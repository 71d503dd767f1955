"""The removal of a person: the record stands, and no longer says who it was.

A row in ``person_removal`` removes a user, through any channel:

    INSERT INTO person_removal (user_id, actor, reason) VALUES (7, 'Ines Marlow', 'asked to be forgotten')

Its trigger replaces the name, email addresses and telephone numbers of user 7 by ``removed person 7`` in the
texts, lists and JSON of all tables, the change record and events included; it ends their sessions and tokens,
and takes name, email and password from the account. Steps, figures and versions stay.

What counts as theirs: the name of the account and those that change sets of theirs were recorded under; the
email address; the username, unless it is a plain word; and of contacts with that name of two words or more,
or that email address, telephone and email too. What another account is called, and a telephone number that
another contact or a site has as well, stays where no key says whose it is.

As in a withdrawal, the triggers of the record stand aside under this one alone (``pg_trigger_depth``), while
it works (``zonebook.removing``).
"""

# ruff: noqa: S608 - what is put into the SQL are the names in this module
from __future__ import annotations

from typing import Final

from sites.changes.sql_v1 import DEFINER, acceptance, shared

from . import catalogue, withdrawal
from .search import KINDS
from .withdrawal import again, function

# Columns, and keys of JSON, that name a person: here a name of one word, too, is one
PEOPLE: Final = ("actor", "by", "done_by", "state_by", "technician", "ticket_by")
# Tables whose texts are of the framework, or are made again below
_LEFT_OUT: Final = (
    "account", "auth_group", "auth_permission", "django_content_type", "django_migrations",
    "django_session", "kept_answer", "search_entry", "search_word",
)  # fmt: skip
_SHORTEST_NUMBER: Final = 6


def _quoted(names: tuple[str, ...]) -> str:
    return ", ".join(f"'{name}'" for name in names)


_TEXTS: Final = rf"""
CREATE FUNCTION zonebook_removing() RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT pg_trigger_depth() > 1 AND coalesce(current_setting('zonebook.removing', true), '') <> ''
$$;

CREATE FUNCTION zonebook_literally(said text) RETURNS text LANGUAGE sql IMMUTABLE STRICT AS $$
    -- As a regular expression; between words any space
    SELECT regexp_replace(
        regexp_replace(said, '([^[:alnum:][:space:]_])', '\\\1', 'g'), '[[:space:]]+', '[[:space:]]+', 'g')
$$;

CREATE FUNCTION zonebook_number_said(said text) RETURNS text LANGUAGE sql IMMUTABLE STRICT AS $$
    -- A telephone number as a regular expression that matches any grouping of its digits
    SELECT '\+?' || array_to_string(
        regexp_split_to_array(regexp_replace(said, '[^0-9]', '', 'g'), ''), '[ ()./-]*')
$$;

CREATE FUNCTION zonebook_without(said text, named boolean, whole text[], patterns text[], instead text)
RETURNS text LANGUAGE plpgsql IMMUTABLE AS $$
DECLARE
    pattern text;
BEGIN
    IF named AND lower(said) = ANY (whole) THEN
        RETURN instead;
    END IF;
    FOREACH pattern IN ARRAY patterns LOOP
        said := regexp_replace(said, pattern, instead, 'gi');
    END LOOP;
    RETURN said;
END $$;

CREATE FUNCTION zonebook_json_without(
    said jsonb, named boolean, whole text[], patterns text[], instead text
) RETURNS jsonb LANGUAGE plpgsql IMMUTABLE AS $$
BEGIN
    CASE jsonb_typeof(said)
        WHEN 'string' THEN
            RETURN to_jsonb(zonebook_without(said #>> '{{}}', named, whole, patterns, instead));
        WHEN 'array' THEN
            RETURN (SELECT coalesce(jsonb_agg(
                        zonebook_json_without(one, named, whole, patterns, instead) ORDER BY place), '[]')
                    FROM jsonb_array_elements(said) WITH ORDINALITY AS item (one, place));
        WHEN 'object' THEN
            RETURN (SELECT coalesce(jsonb_object_agg(key, zonebook_json_without(
                        value, key IN ({_quoted(PEOPLE)}), whole, patterns, instead)), '{{}}')
                    FROM jsonb_each(said));
        ELSE RETURN said;
    END CASE;
END $$;
"""

_REMOVE: Final = rf"""
CREATE FUNCTION zonebook_remove_person() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
DECLARE
    gone account;
    instead text := 'removed person ' || NEW.user_id;
    names text[];
    details text[];
    numbers text[];
    contact_ids bigint[];
    whole text[];
    patterns text[];
    loosely text;
    in_json text;
    found record;
    its record;
    counted bigint;
    places jsonb := '{{}}';
    words text[];
    things jsonb;
BEGIN
    SELECT * INTO gone FROM account WHERE id = NEW.user_id FOR NO KEY UPDATE;
    PERFORM set_config('zonebook.removing', gone.id::text, true);

    -- What they are called, and what of it is nobody else's
    SELECT coalesce(array_agg(DISTINCT said.name), '{{}}') INTO names FROM (
        SELECT trim(gone.first_name || ' ' || gone.last_name)
        UNION SELECT actor FROM change_set WHERE user_id = gone.id AND channel IN ('rest', 'page')
        UNION SELECT actor FROM withdrawal WHERE user_id = gone.id
    ) AS said (name) WHERE said.name <> '' AND NOT EXISTS (
        SELECT FROM account a WHERE a.id <> gone.id
          AND lower(said.name) IN (lower(trim(a.first_name || ' ' || a.last_name)), lower(a.username)));
    whole := (SELECT array_agg(lower(one)) FROM unnest(names || gone.username::text) one);
    SELECT coalesce(array_agg(c.id), '{{}}'), array_agg(c.email::text), array_agg(c.phone::text)
    INTO contact_ids, details, numbers FROM contact c
    WHERE (lower(c.name) = ANY (whole) AND c.name LIKE '% %')
       OR (c.email <> '' AND lower(c.email) = lower(gone.email));
    details := (
        SELECT coalesce(array_agg(DISTINCT one), '{{}}') FROM unnest(details || gone.email::text) one
        WHERE one <> '' AND NOT EXISTS (
            SELECT FROM account a WHERE a.id <> gone.id AND lower(a.email) = lower(one)));
    numbers := (
        SELECT coalesce(array_agg(DISTINCT one), '{{}}') FROM unnest(numbers) one
        WHERE length(zonebook_digits(one)) >= {_SHORTEST_NUMBER} AND NOT EXISTS (
            SELECT FROM contact c
            WHERE c.id <> ALL (contact_ids) AND zonebook_digits(c.phone) = zonebook_digits(one)
        ) AND NOT EXISTS (
            SELECT FROM site s WHERE zonebook_digits(s.out_of_hours_phone) = zonebook_digits(one)));
    IF gone.username ~ '[^[:alpha:]]' THEN
        details := details || gone.username::text;
    END IF;
    names := (SELECT coalesce(array_agg(one), '{{}}') FROM unnest(names) one WHERE one LIKE '% %');

    -- The same as regular expressions: of whole words; and loosely, to find the rows
    patterns := (
        SELECT coalesce(array_agg(one), '{{}}') FROM (
            SELECT '(?<![[:alnum:]_])' || zonebook_literally(name) || '(?![[:alnum:]_]|-[[:alnum:]])'
            FROM unnest(names) name
            UNION ALL
            SELECT '(?<![[:alnum:]_.+-])' || zonebook_literally(detail)
                   || '(?![[:alnum:]_@]|[.-][[:alnum:]])'
            FROM unnest(details) detail
            UNION ALL
            SELECT '(?<![0-9])' || zonebook_number_said(number) || '(?![0-9])' FROM unnest(numbers) number
        ) AS said (one));
    loosely := (
        SELECT coalesce(string_agg(one, '|'), '.^') FROM (
            SELECT zonebook_literally(one) FROM unnest(names || details) one
            UNION ALL SELECT zonebook_number_said(number) FROM unnest(numbers) number
        ) AS said (one));
    in_json := loosely || '|"({"|".join(PEOPLE)})": "(' || (
        SELECT string_agg(zonebook_literally(one), '|') FROM unnest(whole) one) || ')"';

    -- Entries of the search that have their words
    SELECT coalesce(jsonb_object_agg(entry.kind, entry.ids), '{{}}') INTO things FROM (
        SELECT e.kind, array_agg(e.thing_id) AS ids FROM search_entry e
        WHERE (e.kind = {KINDS["contact"]} AND e.thing_id = ANY (contact_ids)) OR EXISTS (
            SELECT FROM unnest(names || details) one WHERE tsvector_to_array(e.doc) @> zonebook_words(one))
        GROUP BY e.kind
    ) AS entry;

    -- What keys say is theirs
    UPDATE change_set SET actor = instead WHERE user_id = gone.id AND channel IN ('rest', 'page');
    UPDATE withdrawal SET actor = instead WHERE user_id = gone.id;
    UPDATE person_removal SET actor = instead WHERE removed_by_id = gone.id;
    UPDATE contact SET name = theirs.name, phone = '', email = '' FROM (
        SELECT c.id, instead || CASE WHEN row_number() OVER (PARTITION BY c.site_id, c.role ORDER BY c.id) > 1
                                     THEN ', contact ' || c.id ELSE '' END AS name
        FROM contact c WHERE c.id = ANY (contact_ids)
    ) AS theirs WHERE contact.id = theirs.id;
    UPDATE token SET revoked_at = coalesce(revoked_at, clock_timestamp()), name = ''
    WHERE user_id = gone.id;

    -- Every text, list and JSON of every table
    FOR its IN
        SELECT c.relname AS name,
               string_agg(format(
                   CASE WHEN attname = 'email' THEN '%1$I = CASE WHEN %1$I ~* $4 THEN '''' ELSE %1$I END'
                       WHEN kind = 'text' THEN
                           '%1$I = left(zonebook_without(%1$I, %2$L, $1, $2, $3), %3$s)'
                       WHEN kind = 'list' THEN '%1$I = CASE WHEN %1$I IS NOT NULL THEN ARRAY('
                           'SELECT left(zonebook_without(one, %2$L, $1, $2, $3), %3$s) '
                           'FROM unnest(%1$I) WITH ORDINALITY AS item (one, place) ORDER BY place) END'
                       ELSE '%1$I = zonebook_json_without(%1$I, %2$L, $1, $2, $3)' END,
                   attname, named, longest), ', ') AS without,
               string_agg(format(
                   CASE kind WHEN 'json' THEN '%1$I::text ~* $5'
                       WHEN 'list' THEN 'EXISTS (SELECT FROM unnest(%1$I) one WHERE one ~* $4)'
                       ELSE '%1$I ~* $4' || CASE WHEN named THEN ' OR lower(%1$I) = ANY ($1)' ELSE '' END
                   END, attname), ' OR ') AS matching
        FROM pg_class c JOIN LATERAL (
            SELECT a.attname, a.attname IN ({_quoted(PEOPLE)}) AS named,
                   -- A note takes thousands: what one gains by it is cut off at its end
                   CASE WHEN a.atttypmod > 0 THEN (a.atttypmod - 4)::text
                       ELSE format('greatest(length(%I::text), 1000)', a.attname) END AS longest,
                   type.kind
            FROM pg_attribute a JOIN (VALUES
                ('text'::regtype, 'text'), ('varchar'::regtype, 'text'), ('text[]'::regtype, 'list'),
                ('varchar[]'::regtype, 'list'), ('jsonb'::regtype, 'json')
            ) AS type (type_id, kind) ON type.type_id = a.atttypid
            WHERE a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
        ) AS a ON true
        WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r'
          AND c.relname NOT IN ({_quoted(_LEFT_OUT)})
        GROUP BY c.relname ORDER BY c.relname
    LOOP
        EXECUTE format('SELECT EXISTS (SELECT FROM public.%I WHERE %s)', its.name, its.matching)
        INTO found USING whole, patterns, instead, loosely, in_json;
        CONTINUE WHEN NOT found.exists;
        EXECUTE format('UPDATE public.%I SET %s WHERE %s', its.name, its.without, its.matching)
        USING whole, patterns, instead, loosely, in_json;
        GET DIAGNOSTICS counted = ROW_COUNT;
        places := places || jsonb_build_object(its.name, counted);
    END LOOP;
    UPDATE kept_answer SET body = convert_to(zonebook_json_without(
        convert_from(body, 'UTF8')::jsonb, false, whole, patterns, instead)::text, 'UTF8')
    WHERE convert_from(body, 'UTF8') ~* in_json;

    UPDATE account SET
        username = 'removed-' || gone.id, first_name = 'removed', last_name = 'person ' || gone.id,
        email = '', password = '!removed', is_active = false,
        sessions_ended = sessions_ended + 1, version = version + 1
    WHERE id = gone.id;

    FOR found IN SELECT key, value FROM jsonb_each(things) LOOP
        PERFORM zonebook_search_keep(found.key::smallint, (
            SELECT array_agg(id::bigint) FROM jsonb_array_elements_text(found.value) id));
    END LOOP;
    words := (
        SELECT array_agg(DISTINCT word)
        FROM unnest(names || details || whole) one, unnest(zonebook_words(one)) word);
    WITH still AS MATERIALIZED (
        SELECT DISTINCT e.customer_id, word FROM search_entry e, unnest(tsvector_to_array(e.own)) word
        WHERE tsvector_to_array(e.own) && words AND word = ANY (words)
    )
    DELETE FROM search_word w WHERE w.word = ANY (words) AND NOT EXISTS (
        SELECT FROM still s WHERE s.word = w.word AND s.customer_id IS NOT DISTINCT FROM w.customer_id);

    UPDATE person_removal SET rows_changed = places WHERE user_id = gone.id;
    PERFORM set_config('zonebook.removing', '', true);
    RETURN NULL;
END $$;

CREATE TRIGGER person_removal_made AFTER INSERT ON person_removal
    FOR EACH ROW EXECUTE FUNCTION zonebook_remove_person();
CREATE TRIGGER person_removal_rewritten BEFORE UPDATE OR DELETE ON person_removal
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_rewriting();
CREATE TRIGGER person_removal_truncated BEFORE TRUNCATE ON person_removal
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
"""
REMOVALS: Final = _TEXTS + _REMOVE

_ASIDE: Final = """BEGIN
    IF zonebook_removing() THEN
        RETURN {row};
    END IF;
"""


def standing_aside() -> list[tuple[str, str]]:
    """SQL by which the triggers of the record stand aside during a removal, each with the SQL that takes it
    back."""
    withdrawing = again(withdrawal.WITHDRAWING)
    # Triggers that stand aside for a withdrawal do so for a removal
    found = [(withdrawing.replace("SELECT pg_", "SELECT zonebook_removing() OR pg_", 1), withdrawing)]
    written = next(new for new, _ in withdrawal.standing_aside() if "zonebook_change_set_written()" in new)
    found.append(_stands_aside(written, "NEW"))
    for row, was in (
        ("NULL", function(acceptance.APPEND_ONLY, "zonebook_refuse_rewriting")),
        ("NULL", function(shared.SHARED_FUNCTIONS, "zonebook_shared_written")),
        ("NEW", function(shared.SHARED_FUNCTIONS, "zonebook_shared_version")),
        ("NEW", function(shared.SHARED_FUNCTIONS, "zonebook_catalogue_version")),
        ("NULL", function(shared.FACTOR_MARKS, "zonebook_factor_marks")),
        ("NULL", function(catalogue.FOLLOWED, "zonebook_catalogue_followed")),
    ):
        found.append(_stands_aside(again(was), row))
    return found


def _stands_aside(was: str, row: str) -> tuple[str, str]:
    return was.replace("BEGIN\n", _ASIDE.format(row=row), 1), was
