"""What a text of the record may hold, and how texts are compared when someone searches."""

# ruff: noqa: S608 - what is put into the SQL are characters
from __future__ import annotations

# The characters of ``sites.fields.UNSEEN``, and the spaces that are none of the keyboard's
_UNSEEN = (
    r"\u0001-\u0008\u000B-\u001F\u007F-\u009F\u00AD\u034F\u061C\u115F\u1160\u17B4\u17B5\u180B-\u180F"
    r"\u200B-\u200F\u2028-\u202E\u2060-\u206F\u3164\uFE00-\uFE0F\uFEFF\uFFA0\uFFF0-\uFFFB"
    r"\U000E0000-\U000E0FFF"
)
_SPACES = r"\u00A0\u1680\u2000-\u200A\u202F\u205F\u3000"

# A line has one space between words and none around them, so that two that look alike are alike
TEXTS = rf"""
CREATE FUNCTION zonebook_is_line(said text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
RETURN said !~ '[\u0009\u000A{_SPACES}{_UNSEEN}]|^ | $|  ' AND said IS NFC NORMALIZED;

CREATE FUNCTION zonebook_is_text(said text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
RETURN said !~ '[{_UNSEEN}]|^\s|\s$' AND said IS NFC NORMALIZED;

CREATE FUNCTION zonebook_are_lines(said text[]) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
RETURN (SELECT coalesce(bool_and(one <> '' AND zonebook_is_line(one)), true) FROM unnest(said) AS one);

-- PostgreSQL takes the name of a time zone in any case; what it then says is the name as it is written
CREATE FUNCTION zonebook_is_time_zone(said text) RETURNS boolean LANGUAGE plpgsql SET TimeZone = 'UTC' AS $$
BEGIN
    PERFORM set_config('TimeZone', said, true);
    RETURN current_setting('TimeZone') = said;
END $$;
"""

# unaccent() is only STABLE, since its dictionary could be edited; named with its schema and dictionary, ours
# is not. array_to_string() is only STABLE, since it could be given any type; of texts, it is not
SEARCHED = """
CREATE FUNCTION zonebook_folded(said text) RETURNS text
LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT COST 500
RETURN lower(public.unaccent('public.unaccent'::regdictionary, said));

CREATE FUNCTION zonebook_joined(words varchar[]) RETURNS text
LANGUAGE plpgsql IMMUTABLE PARALLEL SAFE STRICT AS $$ BEGIN RETURN array_to_string(words, ' '); END $$;
"""
