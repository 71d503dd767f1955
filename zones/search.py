"""Search over customers, sites and their addresses, closets and zones, tolerant of accents and typing errors.

A word of the query matches the text of a thing or of its place ("quay 9 riser" is the closet Riser of the
site Quay 9). A fleet has a riser and a gangway on most of its sites, so only candidates are ranked: (1) the
places that fit the words best; (2) the things there that have some of the words; (3) things anywhere that
have all of the words or, where there are none, any of them. A word that occurs somewhere in scope is matched
exactly. Only a word that occurs nowhere is matched by similarity."""

# ruff: noqa: S608 - the SQL text is from this file; the query goes as values
from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import connection, transaction

from sites.access.scope import Scope

# Least similarity of a word that occurs nowhere. One letter more, less or wrong gives 0.45 ("fery",
# "marshaling", "sundvick"); two swapped letters give 0.28 ("tikcet", "chlroine").
SIMILAR: Final = 0.28
MOST_WORDS: Final = 8
# A result below this rank has less than one word in three
LEAST_RANK: Final = 0.15
# A trigram index cannot find shorter words
TRIGRAM: Final = 3
# Places, and things of a kind, that are ranked
PLACES: Final = 200
CANDIDATES: Final = 300


@dataclass(frozen=True)
class Searched:
    """A kind of thing on sites, which is also the name of its table; its text, as in its index; and the parts
    of its location (SQL; `t` is the thing)."""

    kind: str
    own: str
    where: str


_CUSTOMER_TEXT: Final = "zonebook_folded(c.name || ' ' || c.code)"
_SITE_TEXT: Final = (
    "zonebook_folded(s.name || ' ' || s.code || ' ' || s.address || ' ' || s.postal_code || ' ' || s.city)"
)
THINGS: Final = (
    Searched(
        kind="closet",
        own="zonebook_folded(t.name || ' ' || t.building || ' ' || t.floor || ' ' || t.room)",
        where="nullif(t.building, ''), nullif(t.floor, ''), nullif(t.room, '')",
    ),
    Searched(
        kind="zone",
        own="zonebook_folded(t.name || ' ' || t.page_code || ' ' || zonebook_joined(t.groups))",
        where="NULL",
    ),
)
KINDS: Final = ("customer", "site", *(thing.kind for thing in THINGS))


@dataclass(frozen=True)
class Found:
    """One result: the thing, its location, and its rank from 0 to 1."""

    kind: str
    id: int
    path: str
    title: str
    where: str
    customer_id: int
    site_id: int | None
    ended: bool
    rank: float


def search(query: str, *, scope: Scope, kinds: Sequence[str] = KINDS, most: int = 20) -> list[Found]:
    """The `most` best results, best first; things that ended are marked, and rank lower."""
    if not query.split() or not kinds or scope.customer_ids == frozenset():
        return []
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT zonebook_folded(%s)", [query])
        words = list(dict.fromkeys(cursor.fetchone()[0].split()))[:MOST_WORDS]
        if not words:  # folding drops punctuation
            return []
        values: dict[str, Any] = {
            "phrase": " ".join(words),
            "customers": None if scope.customer_ids is None else sorted(scope.customer_ids),
            "places": PLACES,
            "candidates": CANDIDATES,
            "most": most,
        }
        for number, word in enumerate(words):
            values |= {f"w{number}": word, f"like{number}": f"%{_literal(word)}%"}
        cursor.execute(_probe(len(words)), values)
        any_indexed = max(map(len, words)) >= TRIGRAM
        tests = [
            WordTest(_EXACT if occurs else _SIMILAR, indexed=len(word) >= TRIGRAM or not any_indexed)
            for word, occurs in zip(words, cursor.fetchone(), strict=True)
        ]
        # The threshold of the indexed operator %>
        cursor.execute("SELECT set_config('pg_trgm.word_similarity_threshold', %s, true)", [str(SIMILAR)])
        best: dict[tuple[str, int], Found] = {}
        for statement in (_with_all_words, _with_any_word):
            all_found = False
            cursor.execute(statement(kinds, tests), values)
            for *columns, worst_fit in cursor.fetchall():
                found = Found(*columns)
                all_found = all_found or worst_fit >= SIMILAR
                key = (found.kind, found.id)
                if key not in best or best[key].rank < found.rank:
                    best[key] = found
            if all_found:
                break
    ranked = sorted(best.values(), key=lambda found: (-found.rank, found.title, found.kind, found.id))
    return [found for found in ranked[:most] if found.rank >= LEAST_RANK]


def _literal(word: str) -> str:
    """The word, escaped for LIKE."""
    return re.sub(r"([\\%_])", r"\\\1", word)


# Tests of a text for a word, by operators of the trigram index
_EXACT: Final = "{text} LIKE %(like{number})s"
_SIMILAR: Final = "{text} %%> %(w{number})s"


@dataclass(frozen=True)
class WordTest:
    """The test of a text for a word. indexed: the word is long enough for the index, or no word is; other
    words only rank what these find."""

    template: str
    indexed: bool

    def has(self, text: str, number: int) -> str:
        return self.template.format(text=text, number=number)

    def fit(self, text: str, number: int) -> str:
        """How well a text fits the word, 0 to 1. For an exact word the similarity, which is slow, is computed
        only where the word occurs."""
        similarity = f"word_similarity(%(w{number})s, {text})"
        if self.template == _SIMILAR:
            return similarity
        return f"CASE WHEN {self.has(text, number)} THEN {similarity} ELSE 0 END"


def _customers_in_scope(tests: Sequence[WordTest] = ()) -> str:
    """The customers in scope, and how well each word fits them."""
    fits = "".join(
        f", {test.fit(_CUSTOMER_TEXT, number)} AS fit{number}" for number, test in enumerate(tests)
    )
    return f"""
        customers AS MATERIALIZED (
            SELECT c.id, c.name, {_CUSTOMER_TEXT} AS folded{fits} FROM customer c
            WHERE %(customers)s::bigint[] IS NULL OR c.id = ANY(%(customers)s)
        )
    """


def _probe(words: int) -> str:
    """For each word whether it occurs anywhere in scope."""

    def anywhere(number: int) -> str:
        def has(text: str) -> str:
            return _EXACT.format(text=text, number=number)

        in_scope = "SELECT FROM customers c JOIN site s ON s.customer_id = c.id"
        return " OR ".join(
            [
                f"EXISTS (SELECT FROM customers c WHERE {has('c.folded')})",
                f"EXISTS ({in_scope} WHERE {has(_SITE_TEXT)})",
                *(
                    f"EXISTS ({in_scope} JOIN {thing.kind} t ON t.site_id = s.id WHERE {has(thing.own)})"
                    for thing in THINGS
                ),
            ]
        )

    return f"WITH {_customers_in_scope()} SELECT {', '.join(map(anywhere, range(words)))}"


def _with_all_words(kinds: Sequence[str], tests: Sequence[WordTest]) -> str:
    """Places, the things there, and things anywhere that have all the words."""
    parts = [_customers(tests)] if "customer" in kinds else []
    parts += [_sites(tests)] if "site" in kinds else []
    parts += [
        _things(thing, tests, [_there(thing, tests), _anywhere(thing, tests, " AND ")])
        for thing in THINGS
        if thing.kind in kinds
    ]
    return f"{_places(tests)} {_united(parts)}"


def _with_any_word(kinds: Sequence[str], tests: Sequence[WordTest]) -> str:
    """Things anywhere that have any of the words, without the places, which are ranked already."""
    parts = [
        _things(thing, tests, [_anywhere(thing, tests, " OR ")]) for thing in THINGS if thing.kind in kinds
    ]
    return f"WITH {_customers_in_scope()} {_united(parts)}" if parts else "SELECT WHERE false"


def _united(parts: Sequence[str]) -> str:
    united = " UNION ALL ".join(f"({part})" for part in parts)
    return f"SELECT * FROM ({united}) AS found ORDER BY rank DESC LIMIT %(most)s"


def _fits(text: str, tests: Sequence[WordTest], joined: str = " OR ", *, indexed_only: bool = False) -> str:
    """Whether `text` has the words: one test a word, because the index serves no ANY or ALL."""
    each = (test.has(text, number) for number, test in enumerate(tests) if test.indexed or not indexed_only)
    return f"({joined.join(each)})"


def _mean(fit_of_word: str, words: int) -> str:
    """The mean of an expression over all words; # is the word's number."""
    total = " + ".join(fit_of_word.replace("#", str(number)) for number in range(words))
    return f"(({total}) / {words})"


def _least(fit_of_word: str, words: int) -> str:
    """The least of an expression over all words."""
    return f"least({', '.join(fit_of_word.replace('#', str(number)) for number in range(words))})"


def _rank(fit: str, worst: str) -> str:
    """Rank by the mean fit of the words, their worst fit, and the similarity with the title."""
    title = "similarity(%(phrase)s, zonebook_folded(name))"
    return f"(0.5 * {fit} + 0.45 * {worst} + 0.05 * {title})::float8 AS rank"


def _places(tests: Sequence[WordTest]) -> str:
    """The sites whose text, or customer's text, has some word, and how well each word fits there."""
    each = ", ".join(
        f"greatest({test.fit('by_site', number)}, 0.8 * by_customer{number}) AS fit{number}"
        for number, test in enumerate(tests)
    )
    by_customer = ", ".join(f"c.fit{number} AS by_customer{number}" for number in range(len(tests)))
    return f"""
        WITH {_customers_in_scope(tests)}, matching AS (
            SELECT s.id FROM site s WHERE {_fits(_SITE_TEXT, tests, indexed_only=True)}
            UNION
            SELECT s.id FROM site s JOIN customers c ON c.id = s.customer_id
            WHERE {_fits("c.folded", tests, indexed_only=True)}
        ), measured AS (
            SELECT id, customer_id, name, address, city, customer, {each} FROM (
                SELECT s.id, s.customer_id, s.name, s.address, s.city, c.name AS customer,
                       {_SITE_TEXT} AS by_site, {by_customer}
                FROM matching JOIN site s USING (id) JOIN customers c ON c.id = s.customer_id
                OFFSET 0
            ) AS texts
            OFFSET 0
        ), places AS MATERIALIZED (
            SELECT *, {_mean("fit#", len(tests))} AS fit FROM measured ORDER BY fit DESC LIMIT %(places)s
        )
    """


def _customers(tests: Sequence[WordTest]) -> str:
    return f"""
        SELECT 'customer', id, 'customers/' || id, name, '', id, NULL::bigint, false,
               {_rank("fit", "worst")}, worst
        FROM (
            SELECT c.id, c.name, {_mean("c.fit#", len(tests))} AS fit, {_least("c.fit#", len(tests))} AS worst
            FROM customers c WHERE {_fits("c.folded", tests)}
            OFFSET 0
        ) AS measured
        ORDER BY rank DESC LIMIT %(most)s
    """


def _sites(tests: Sequence[WordTest]) -> str:
    return f"""
        SELECT 'site', id, 'sites/' || id, name,
               concat_ws(', ', customer, nullif(address, ''), nullif(city, '')), customer_id, id, false,
               {_rank("fit", _least("fit#", len(tests)))}, {_least("fit#", len(tests))}
        FROM places WHERE {_mean("fit#", len(tests))} > 0
        ORDER BY rank DESC LIMIT %(most)s
    """


def _things(thing: Searched, tests: Sequence[WordTest], candidates: Sequence[str]) -> str:
    """Things of one kind, the best first. candidates: the SELECTs of those to rank."""
    own_fits = ", ".join(f"{test.fit('own', number)} AS own{number}" for number, test in enumerate(tests))
    each = "greatest(own#, 0.8 * fit#)"
    united = " UNION ALL ".join(f"({select})" for select in candidates)
    return f"""
        SELECT '{thing.kind}', id, '{thing.kind}s/' || id, name, "where", customer_id, site_id, ended,
               CASE WHEN ended THEN 0.7 ELSE 1 END * rank AS rank, worst
        FROM (
            SELECT *, {_rank("fit", "worst")} FROM (
                SELECT *, {_mean(each, len(tests))} AS fit, {_least(each, len(tests))} AS worst
                FROM (SELECT *, {own_fits} FROM ({united}) AS candidates OFFSET 0) AS fitted
                OFFSET 0
            ) AS measured
        ) AS ranked
        ORDER BY rank DESC LIMIT %(most)s
    """


def _columns(thing: Searched) -> str:
    return f"t.id, t.name, t.site_id, t.end_step IS NOT NULL AS ended, {thing.own} AS own"


def _there(thing: Searched, tests: Sequence[WordTest]) -> str:
    """Things at the places that have any of the words."""
    fits = ", ".join(f"p.fit{number}" for number in range(len(tests)))
    return f"""
        SELECT {_columns(thing)}, p.customer_id,
               concat_ws(', ', p.customer, p.name, {thing.where}) AS "where", {fits}
        FROM places p JOIN {thing.kind} t ON t.site_id = p.id
        WHERE {_fits(thing.own, tests)}
        OFFSET 0
    """


def _anywhere(thing: Searched, tests: Sequence[WordTest], joined: str) -> str:
    """Things anywhere that have the words, joined by AND or OR."""
    no_place = ", ".join(f"0 AS fit{number}" for number in range(len(tests)))
    return f"""
        SELECT {_columns(thing)}, s.customer_id,
               concat_ws(', ', c.name, s.name, {thing.where}) AS "where", {no_place}
        FROM {thing.kind} t JOIN site s ON s.id = t.site_id JOIN customers c ON c.id = s.customer_id
        WHERE {_fits(thing.own, tests, joined, indexed_only=joined == " OR ")}
        LIMIT %(candidates)s
    """
