"""Search over customers, sites and their addresses, closets and zones, forgiving accents and typing errors.

Each word of what was typed may be anywhere: in a thing's own text, or in that of the place it is at ("quay 9
riser" is the closet Riser of the site Quay 9). Every fleet has a riser and a gangway on most of its sites, so
no step looks closely at all that a word fits: (1) the places that the words point to best; (2) the things
there that have some of the words; (3) things anywhere that have all of the words or, where no such thing
is found, any of them. A word that stands somewhere in scope is taken as it is; only one that stands nowhere
is forgiven: what is nearest to it comes first."""

# ruff: noqa: S608 - what is put into the SQL is in this file; what was typed goes as values
from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import connection, transaction

from sites.access.scope import Scope

# Of a word that stands nowhere, the share of its trigrams that must be found side by side. A letter too many,
# too few, or another one leaves 0.45 ("fery", "marshaling", "sundvick"); two that changed places leave 0.28
# ("tikcet", "chlroine"). To ask for one after the other would measure the same texts twice.
FORGIVING: Final = 0.28
MOST_WORDS: Final = 8
# Of what was typed, a result of a lower rank has less than a word in three
LEAST_RANK: Final = 0.15
# Letters without which an index knows nothing of a word: "1" is in every second address
TRIGRAM: Final = 3
# How many places, and how many things of a kind, are looked at closely
PLACES: Final = 200
CANDIDATES: Final = 300


@dataclass(frozen=True)
class Searched:
    """A kind of thing that stands on sites: its table and own text as its index has it, and what tells where
    it is (SQL, with `t` the thing, `s` its site, `c` its customer)."""

    kind: str
    path: str
    table: str
    own: str
    where: str


_CUSTOMER_TEXT: Final = "zonebook_folded(c.name || ' ' || c.code)"
_SITE_TEXT: Final = (
    "zonebook_folded(s.name || ' ' || s.code || ' ' || s.address || ' ' || s.postal_code || ' ' || s.city)"
)
THINGS: Final = (
    Searched(
        kind="closet",
        path="closets",
        table="closet",
        own="zonebook_folded(t.name || ' ' || t.building || ' ' || t.floor || ' ' || t.room)",
        where="nullif(t.building, ''), nullif(t.floor, ''), nullif(t.room, '')",
    ),
    Searched(
        kind="zone",
        path="zones",
        table="zone",
        own="zonebook_folded(t.name || ' ' || t.page_code || ' ' || zonebook_joined(t.groups))",
        where="NULL",
    ),
)
KINDS: Final = ("customer", "site", *(thing.kind for thing in THINGS))


@dataclass(frozen=True)
class Found:
    """One result: what it is, where it is, and how well it was found (0 to 1)."""

    kind: str
    id: int
    path: str
    title: str
    where: str
    customer_id: int
    site_id: int | None
    ended: bool
    rank: float


def search(typed: str, *, scope: Scope, kinds: Sequence[str] = KINDS, most: int = 20) -> list[Found]:
    """The `most` best results for what was typed, best first; things that ended are marked, and rank
    lower."""
    if not typed.split() or not kinds or scope.customer_ids == frozenset():
        return []
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT zonebook_folded(%s)", [typed])
        words = list(dict.fromkeys(cursor.fetchone()[0].split()))[:MOST_WORDS]
        if not words:  # a mark or two that folding leaves nothing of
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
        telling = max(map(len, words)) >= TRIGRAM
        tests = [
            WordTest(_AS_TYPED if stands else _FORGIVING, telling=len(word) >= TRIGRAM or not telling)
            for word, stands in zip(words, cursor.fetchone(), strict=True)
        ]
        # The operator that the indexes know takes its threshold from here
        cursor.execute("SELECT set_config('pg_trgm.word_similarity_threshold', %s, true)", [str(FORGIVING)])
        best: dict[tuple[str, int], Found] = {}
        for statement in (_with_all_words, _with_any_word):
            all_found = False
            cursor.execute(statement(kinds, tests), values)
            for *told, worst_fit in cursor.fetchall():
                found = Found(*told)
                all_found = all_found or worst_fit >= FORGIVING
                key = (found.kind, found.id)
                if key not in best or best[key].rank < found.rank:
                    best[key] = found
            if all_found:
                break
    ranked = sorted(best.values(), key=lambda found: (-found.rank, found.title, found.kind, found.id))
    return [found for found in ranked[:most] if found.rank >= LEAST_RANK]


def _literal(word: str) -> str:
    """The pattern that LIKE takes for the word itself."""
    return re.sub(r"([\\%_])", r"\\\1", word)


# --- the statement. What is put into its text is ours; what was typed, and the scope, go as values
# ----------------


# How a text is tested for a word: by operators that a trigram index knows
_AS_TYPED: Final = "{text} LIKE %(like{number})s"
_FORGIVING: Final = "{text} %%> %(w{number})s"


@dataclass(frozen=True)
class WordTest:
    """How a text is tested for a word. telling: whether the word is long enough to look for it anywhere by
    itself; one that is not counts where another has led to."""

    template: str
    telling: bool

    def has(self, text: str, number: int) -> str:
        return self.template.format(text=text, number=number)

    def fit(self, text: str, number: int) -> str:
        """How well a text has the word, 0 to 1. One that is taken as it is is only measured where it stands:
        measuring is what a search does longest."""
        measured = f"word_similarity(%(w{number})s, {text})"
        if self.template == _FORGIVING:
            return measured
        return f"CASE WHEN {self.has(text, number)} THEN {measured} ELSE 0 END"


def _customers_in_scope(tests: Sequence[WordTest] = ()) -> str:
    """Customers, and how well the words fit each."""
    fits = "".join(
        f", {test.fit(_CUSTOMER_TEXT, number)} AS fit{number}" for number, test in enumerate(tests)
    )
    return f"""
        customers AS MATERIALIZED (
            SELECT c.id, c.name, {_CUSTOMER_TEXT} AS said{fits} FROM customer c
            WHERE %(customers)s::bigint[] IS NULL OR c.id = ANY(%(customers)s)
        )
    """


def _probe(words: int) -> str:
    """For each word whether it stands, as it was typed, anywhere in scope."""

    def anywhere(number: int) -> str:
        def has(text: str) -> str:
            return _AS_TYPED.format(text=text, number=number)

        in_scope = "SELECT FROM customers c JOIN site s ON s.customer_id = c.id"
        return " OR ".join(
            [
                f"EXISTS (SELECT FROM customers c WHERE {has('c.said')})",
                f"EXISTS ({in_scope} WHERE {has(_SITE_TEXT)})",
                *(
                    f"EXISTS ({in_scope} JOIN {thing.table} t ON t.site_id = s.id WHERE {has(thing.own)})"
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
    """Things anywhere that have any of the words: the places were looked at before."""
    parts = [
        _things(thing, tests, [_anywhere(thing, tests, " OR ")]) for thing in THINGS if thing.kind in kinds
    ]
    return f"WITH {_customers_in_scope()} {_united(parts)}" if parts else "SELECT WHERE false"


def _united(parts: Sequence[str]) -> str:
    united = " UNION ALL ".join(f"({part})" for part in parts)
    return f"SELECT * FROM ({united}) AS found ORDER BY rank DESC LIMIT %(most)s"


def _fits(text: str, tests: Sequence[WordTest], joined: str = " OR ", *, telling_alone: bool = False) -> str:
    """That the words, or the telling ones alone, are in `text`: a test each, since an index knows these and
    no ANY or ALL of them."""
    each = (test.has(text, number) for number, test in enumerate(tests) if test.telling or not telling_alone)
    return f"({joined.join(each)})"


def _mean(fit_of_word: str, words: int) -> str:
    """The mean over so many words of an expression, with # for a word's number."""
    total = " + ".join(fit_of_word.replace("#", str(number)) for number in range(words))
    return f"(({total}) / {words})"


def _least(fit_of_word: str, words: int) -> str:
    """The least over so many words of an expression: how well the worst of them is found."""
    return f"least({', '.join(fit_of_word.replace('#', str(number)) for number in range(words))})"


def _rank(fit: str, worst: str) -> str:
    """How well the words were found, whether all of them were, and how much of the title they are."""
    title = "similarity(%(phrase)s, zonebook_folded(name))"
    return f"(0.5 * {fit} + 0.45 * {worst} + 0.05 * {title})::float8 AS rank"


def _places(tests: Sequence[WordTest]) -> str:
    """Sites that some word points to, by their own text or their customer's, and how well each word fits
    there."""
    each = ", ".join(
        f"greatest({test.fit('by_site', number)}, 0.8 * by_customer{number}) AS fit{number}"
        for number, test in enumerate(tests)
    )
    by_customer = ", ".join(f"c.fit{number} AS by_customer{number}" for number in range(len(tests)))
    return f"""
        WITH {_customers_in_scope(tests)}, pointed AS (
            SELECT s.id FROM site s WHERE {_fits(_SITE_TEXT, tests, telling_alone=True)}
            UNION
            SELECT s.id FROM site s JOIN customers c ON c.id = s.customer_id
            WHERE {_fits("c.said", tests, telling_alone=True)}
        ), measured AS (
            SELECT id, customer_id, name, address, city, customer, {each} FROM (
                SELECT s.id, s.customer_id, s.name, s.address, s.city, c.name AS customer,
                       {_SITE_TEXT} AS by_site, {by_customer}
                FROM pointed JOIN site s USING (id) JOIN customers c ON c.id = s.customer_id
                OFFSET 0
            ) AS said
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
            FROM customers c WHERE {_fits("c.said", tests)}
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


def _things(thing: Searched, tests: Sequence[WordTest], looked_at: Sequence[str]) -> str:
    """Things of one kind, the best first. looked_at: the SELECTs of those to look at closely."""
    own_fits = ", ".join(f"{test.fit('own', number)} AS own{number}" for number, test in enumerate(tests))
    each = "greatest(own#, 0.8 * fit#)"
    near = " UNION ALL ".join(f"({select})" for select in looked_at)
    return f"""
        SELECT '{thing.kind}', id, '{thing.path}/' || id, name, "where", customer_id, site_id, ended,
               CASE WHEN ended THEN 0.7 ELSE 1 END * rank AS rank, worst
        FROM (
            SELECT *, {_rank("fit", "worst")} FROM (
                SELECT *, {_mean(each, len(tests))} AS fit, {_least(each, len(tests))} AS worst
                FROM (SELECT *, {own_fits} FROM ({near}) AS near OFFSET 0) AS fitted
                OFFSET 0
            ) AS measured
        ) AS ranked
        ORDER BY rank DESC LIMIT %(most)s
    """


def _told(thing: Searched) -> str:
    return f"t.id, t.name, t.site_id, t.end_step IS NOT NULL AS ended, {thing.own} AS own"


def _there(thing: Searched, tests: Sequence[WordTest]) -> str:
    """Things at the places that have any of the words."""
    fits = ", ".join(f"p.fit{number}" for number in range(len(tests)))
    return f"""
        SELECT {_told(thing)}, p.customer_id,
               concat_ws(', ', p.customer, p.name, {thing.where}) AS "where", {fits}
        FROM places p JOIN {thing.table} t ON t.site_id = p.id
        WHERE {_fits(thing.own, tests)}
        OFFSET 0
    """


def _anywhere(thing: Searched, tests: Sequence[WordTest], joined: str) -> str:
    """Things wherever they are that have the words, joined by AND or OR."""
    no_place = ", ".join(f"0 AS fit{number}" for number in range(len(tests)))
    return f"""
        SELECT {_told(thing)}, s.customer_id,
               concat_ws(', ', c.name, s.name, {thing.where}) AS "where", {no_place}
        FROM {thing.table} t JOIN site s ON s.id = t.site_id JOIN customers c ON c.id = s.customer_id
        WHERE {_fits(thing.own, tests, joined, telling_alone=joined == " OR ")}
        LIMIT %(candidates)s
    """
