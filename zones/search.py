"""Search over everything that a caller may say, tolerant of accents and typing errors.

(1) What identifies a thing: whole name, MAC, serial, address, page code, telephone number, job, ticket.
(2) Things whose words, or whose site's or customer's words, are those of the query.
A word that occurs in scope is taken as it
is; else words that begin with it, else those spelt like it. Where nothing has all the words, things with all
but one are found, else with any. Nothing outside the scope is looked at: not the words either.

Entries and words are kept by the database (``sites.changes.sql_v2.search``)."""

# ruff: noqa: S608 - the SQL text is from this file; the query goes as values
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import combinations
from typing import Any, Final

from django.db import connection, transaction

from sites.access.scope import Scope
from sites.changes.sql_v2.search import GROUPS
from sites.changes.sql_v2.search import KINDS as NUMBERS
from zones.electrical.verdicts import Verdict
from zones.search_details import details

KINDS: Final = (*NUMBERS, "job", "ticket")
MOST_WORDS: Final = 8
# Words of the record that are taken for one of the query
SPELLINGS: Final = 8
# Least similarity of trigrams, by which the index finds words: two swapped letters leave 0.27 of "rossby"
SIMILAR: Final = 0.2
# Least share of letters that two spellings have in common, in order
ALIKE: Final = 0.7
BEGUN, ELSEWHERE = 0.9, 0.8
# Fewer letters begin too many words
LEAST_BEGINNING: Final = 2
# Things of a group that are ranked
CANDIDATES: Final = 500
# Customers whose name is in the query beside other words
CUSTOMERS: Final = 3
# More customers than that are not named to the index
NARROWING: Final = 50
# A shorter word identifies nothing beside others
LEAST_KEY: Final = 4
# Fewer digits are not a telephone number
LEAST_DIGITS: Final = 6
# Said by callers, and found in every second name of a room. Only as words of their own: a run may be "IN-1"
FILLERS: Final = frozenset(("an", "and", "at", "in", "is", "of", "on", "the", "to"))
SHARED: Final = 0
"""Owner of the catalogue, in the words of entries."""


@dataclass(frozen=True)
class Found:
    """One result: the thing, where it is, its worst open verdict, and its rank from 0 to 1. exact: by what
    identifies it, or by its whole name."""

    kind: str
    id: int
    path: str
    title: str
    where: str
    customer_id: int | None
    site_id: int | None
    closet_id: int | None
    ended: bool
    exact: bool
    verdict: str | None
    rank: float


@dataclass(frozen=True)
class Results:
    """Best first; and the words that occur nowhere in scope."""

    items: list[Found]
    nowhere: list[str]


@dataclass(frozen=True)
class Hit:
    kind: str
    id: int
    customer_id: int | None
    site_id: int | None
    ended: bool
    exact: bool
    rank: float

    @property
    def order(self) -> tuple[Any, ...]:
        return self.ended, not self.exact, -round(self.rank, 3), KINDS.index(self.kind), self.id


Spellings = dict[str, float]
"""Words of the record that stand for one of the query, and how well each fits, 0 to 1."""


def search(query: str, *, scope: Scope, kinds: Sequence[str] = KINDS, most: int = 20) -> Results:
    """The `most` best results; things that ended are marked, and come last."""
    if not query.split() or not kinds or scope.customer_ids == frozenset():
        return Results([], [])
    with transaction.atomic(), connection.cursor() as cursor:
        return _Search(cursor, query, scope, kinds, most).results()


class _Search:
    def __init__(self, cursor: Any, query: str, scope: Scope, kinds: Sequence[str], most: int) -> None:
        self.cursor, self.query, self.kinds = cursor, query, kinds
        self.customers = None if scope.customer_ids is None else sorted(scope.customer_ids)
        self.values = {
            "customers": self.customers,
            "kinds": [NUMBERS[kind] for kind in kinds if kind in NUMBERS],
            "candidates": CANDIDATES,
            "most": most,
        }
        self.most = most

    def results(self) -> Results:
        telling = " ".join(word for word in self.query.split() if word.lower() not in FILLERS)
        self.cursor.execute("SELECT zonebook_words(%s)", [telling or self.query])
        words = list(dict.fromkeys(self.cursor.fetchone()[0]))[:MOST_WORDS]
        if not words:
            return Results([], [])
        hits, identifying = self._identified()
        spelt = self._spellings(words)
        known = [spelt[word] for word in words if spelt[word]]
        if known:
            hits += self._by_words(known)
        best: dict[tuple[str, int], Hit] = {}
        for hit in sorted(hits, key=lambda hit: hit.order):
            best.setdefault((hit.kind, hit.id), hit)
        if not best:
            nowhere = words  # some may be known still: a word outlives the last entry that has it
        else:
            missing = [word for word in words if not spelt[word] and word not in identifying]
            nowhere = [] if self._all_digits() else missing
        return Results(self._told(list(best.values())[: self.most]), nowhere)

    def _all_digits(self) -> bool:
        """Whether it is a number. A part of a number that is not a word is not reported as missing."""
        return not any(letter.isalpha() for letter in self.query)

    # What identifies a thing

    def _identified(self) -> tuple[list[Hit], set[str]]:
        """What the query, or a part of it, identifies; and the words of what did: a MAC is found as one, so
        none of its words is missing."""
        parts = [one for one in self.query.split() if any(map(str.isdigit, one)) and len(one) >= LEAST_KEY]
        whole = self.query.strip()
        self.cursor.execute(
            "SELECT t, zonebook_squashed(t), zonebook_words(t), zonebook_digits(t) "
            "FROM unnest(%s::text[]) WITH ORDINALITY AS one (t, place) ORDER BY place",
            [list(dict.fromkeys([whole, *parts[:MOST_WORDS]]))],
        )
        hits: list[Hit] = []
        identifying: set[str] = set()
        words_of_all: list[str] = []
        for token, squashed, words, digits in self.cursor.fetchall():
            keys = {f"={token.lower()}", f"={squashed}"} if squashed else {f"={token.lower()}"}
            if token == whole:
                words_of_all = words
                if len(digits) >= LEAST_DIGITS:
                    keys |= {f"=tel{digits[-7:]}", f"=tel{digits[-6:]}"}
            if found := self._entries([dict.fromkeys(keys, 1.0)], exact=True):
                hits += found
                identifying.update(words)
        for kind, column, table in (
            ("job", "job_reference", "change_set"),
            ("ticket", "ticket_reference", '"case"'),
        ):
            if kind in self.kinds and (found := self._referring(kind, column, table)):
                hits += found
                identifying.update(words_of_all)
        return hits, identifying

    def _referring(self, kind: str, column: str, table: str) -> list[Hit]:
        """Change sets of a job, and cases of a ticket, by the whole reference."""
        said = self.query.strip()
        spelt = sorted({said, said.upper(), said.lower()})
        condition = (
            f"lower(t.{column}) = lower(%(said)s)" if kind == "job" else f"t.{column} = ANY(%(spelt)s)"
        )
        ended = "t.cleared_at IS NOT NULL" if kind == "ticket" else "t.state = 'withdrawn'"
        self.cursor.execute(
            f"""SELECT t.id, s.customer_id, s.id, {ended} FROM {table} t JOIN site s ON s.id = t.site_id
                WHERE {condition} AND t.{column} <> ''
                  AND (%(customers)s::bigint[] IS NULL OR s.customer_id = ANY(%(customers)s))
                ORDER BY t.id DESC LIMIT %(most)s""",
            {**self.values, "said": said, "spelt": spelt},
        )
        return [
            Hit(kind, id_, customer, site, ended, exact=True, rank=1.0)
            for id_, customer, site, ended in self.cursor.fetchall()
        ]

    # How each word is spelt in the record

    def _spellings(self, words: Sequence[str]) -> dict[str, Spellings]:
        in_scope = (
            "(%(customers)s::bigint[] IS NULL OR customer_id IS NULL OR customer_id = ANY(%(customers)s))"
        )
        found: dict[str, Spellings] = {}
        for word in words:
            values = {**self.values, "word": word, "after": word + "\U0010ffff", "spellings": SPELLINGS * 5}
            self.cursor.execute(
                f"""SELECT EXISTS (SELECT FROM search_word WHERE word = %(word)s AND {in_scope}), ARRAY(
                    SELECT DISTINCT word FROM search_word
                    WHERE word > %(word)s AND word < %(after)s AND {in_scope}
                    ORDER BY word LIMIT %(spellings)s)""",
                values,
            )
            occurs, begun = self.cursor.fetchone()
            if occurs:
                found[word] = {word: 1.0}
            elif begun and len(word) >= LEAST_BEGINNING:
                found[word] = dict.fromkeys(sorted(begun, key=len)[:SPELLINGS], BEGUN)
            elif any(letter.isalpha() for letter in word):
                self.cursor.execute(
                    "SELECT set_config('pg_trgm.similarity_threshold', %s, true)", [str(SIMILAR)]
                )
                self.cursor.execute(
                    f"""SELECT word FROM search_word WHERE word %% %(word)s AND {in_scope}
                        GROUP BY word ORDER BY similarity(word, %(word)s) DESC, word LIMIT %(spellings)s""",
                    values,
                )
                alike = {one: SequenceMatcher(None, word, one).ratio() for (one,) in self.cursor.fetchall()}
                near = sorted(alike, key=lambda one: (-alike[one], one))[:SPELLINGS]
                found[word] = {one: alike[one] * BEGUN for one in near if alike[one] >= ALIKE}
            else:
                found[word] = {}
        return found

    # Things that have the words

    def _by_words(self, words: Sequence[Spellings]) -> list[Hit]:
        hits = self._entries(words, needed=len(words))
        if len(words) > 1:
            hits += self._of_customers(words)
            for needed in dict.fromkeys((len(words) - 1, 1)):
                if hits:
                    break
                hits = self._entries(words, needed=needed)
        return hits

    def _of_customers(self, words: Sequence[Spellings]) -> list[Hit]:
        """Things whose customer has some of the words, and which have the others."""
        named = ", ".join(f"doc @@ %(named{number})s::tsquery" for number in range(len(words)))
        values = {f"named{number}": _any_of(word) for number, word in enumerate(words)}
        either = f"({_any_of({one: 1 for word in words for one in word})})"
        self.cursor.execute(
            f"""SELECT thing_id, ARRAY[{named}] FROM search_entry
                WHERE kind = {NUMBERS["customer"]} AND kind <= 3 AND doc @@ %(asked)s::tsquery
                  AND (%(customers)s::bigint[] IS NULL OR customer_id = ANY(%(customers)s))
                ORDER BY thing_id LIMIT %(candidates)s""",
            {**self.values, **values, "asked": either},
        )
        rows = sorted(self.cursor.fetchall(), key=lambda row: (-sum(row[1]), row[0]))[:CUSTOMERS]
        hits: list[Hit] = []
        for customer, has in rows:
            others = [word for word, there in zip(words, has, strict=True) if not there]
            if others:
                share = len(others) / len(words)
                found = self._entries(others, needed=len(others), customer=customer)
                hits += [
                    Hit(**{**vars(hit), "exact": False, "rank": share * hit.rank + (1 - share) * ELSEWHERE})
                    for hit in found
                ]
        return hits

    def _entries(
        self, words: Sequence[Spellings], needed: int = 1, *, exact: bool = False, customer: int | None = None
    ) -> list[Hit]:
        """Entries that have so many of the words, the best first."""
        if not self.values["kinds"]:
            return []
        asked = " | ".join(
            "(" + " & ".join(f"({_any_of(words[number])})" for number in some) + ")"
            for some in combinations(range(len(words)), needed)
        )
        customers = self.customers if customer is None else [customer]
        if customers is not None and len(customers) <= NARROWING:
            asked = (
                f"({asked}) & ({_any_of(dict.fromkeys((f'#{one}' for one in [*customers, SHARED]), 1.0))})"
            )
        values: dict[str, Any] = {**self.values, "asked": asked, "customers": customers, "number": len(words)}
        fits = []
        for number, word in enumerate(words):
            cases = []
            for spelling, (one, fit) in enumerate(sorted(word.items(), key=lambda item: -item[1])):
                name = f"w{number}_{spelling}"
                values[name] = _any_of({one: fit})
                cases.append((name, fit))
            fits.append(
                "CASE "
                + " ".join(f"WHEN own @@ %({name})s::tsquery THEN {fit:.3f}" for name, fit in cases)
                + " "
                + " ".join(
                    f"WHEN doc @@ %({name})s::tsquery THEN {fit * ELSEWHERE:.3f}" for name, fit in cases
                )
                + " ELSE 0 END"
            )
        is_exact = "true" if exact else "false"
        # Of what has the same words, the shortest comes first, points last: a dock has one zone, and
        # thirty points "at dock door 7"
        rank = (
            "1"
            if exact
            else f"0.95 * ({' + '.join(fits)}) / {len(words)} "
            f"+ CASE kind WHEN {NUMBERS['point']} THEN 0 "
            "ELSE 0.05 * least(1, %(number)s / greatest(length(own), 1)::float8) END"
        )
        groups = " UNION ALL ".join(
            f"""(SELECT kind, thing_id, customer_id, site_id, ended, own, doc FROM search_entry
                WHERE {group} AND doc @@ %(asked)s::tsquery AND kind = ANY(%(kinds)s)
                  AND (%(customers)s::bigint[] IS NULL OR customer_id IS NULL
                       OR customer_id = ANY(%(customers)s))
                LIMIT %(candidates)s)"""
            for group in GROUPS
        )
        self.cursor.execute(
            f"""SELECT kind, thing_id, customer_id, site_id, ended, {is_exact} AS exact,
                       ({rank})::float8 AS rank
                FROM ({groups}) AS candidate
                ORDER BY ended, exact DESC, rank DESC, kind, thing_id LIMIT %(most)s""",
            values,
        )
        names = {number: kind for kind, number in NUMBERS.items()}
        return [Hit(names[kind], *rest) for kind, *rest in self.cursor.fetchall()]

    def _told(self, hits: Sequence[Hit]) -> list[Found]:
        told = details(self.cursor, [(hit.kind, hit.id, hit.site_id) for hit in hits])
        return [
            Found(
                kind=hit.kind,
                id=hit.id,
                path=one.path,
                title=one.title,
                where=one.where,
                customer_id=hit.customer_id,
                site_id=hit.site_id,
                closet_id=one.closet_id,
                ended=hit.ended,
                exact=hit.exact,
                verdict=None if one.verdict is None else Verdict(one.verdict).name.lower(),
                rank=hit.rank,
            )
            for hit in hits
            if (one := told.get((hit.kind, hit.id))) is not None
        ]


def _any_of(spellings: Spellings) -> str:
    """A tsquery; words hold neither spaces nor punctuation, keys may hold any."""
    return " | ".join("'" + one.replace("\\", "\\\\").replace("'", "''") + "'" for one in spellings)
