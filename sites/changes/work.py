"""The change set being applied, its step, and the ways to write rows.

All of them run under the lock of the site's row, which acceptance takes; none commits. ``expects`` collects
the versions of the rows that the operation builds on, so that a draft shows when another change came in
between.
"""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar, cast

from django.core.exceptions import ValidationError
from django.db import models

from sites.fields import SiteKey
from sites.models.changes import ChangeSet
from sites.models.dated import DatedFacts, Placed, Recorded, thing_fields
from sites.models.places import Site
from sites.wording import listed

from . import selectors
from .errors import ChangeRefused, Problem, refuse
from .making import version_of
from .parameters import Parameter, Reference
from .steps import last_step_of

M = TypeVar("M", bound=models.Model)
R = TypeVar("R", bound=Recorded)
T = TypeVar("T", bound=Placed)
F = TypeVar("F", bound=DatedFacts)


@functools.cache
def _wholes(model: type[models.Model] | None) -> tuple[str, ...]:
    """The fields that say what a row is a part of: a point's run, a port's switch."""
    fields = model._meta.fields if model is not None and issubclass(model, Recorded) else ()
    return tuple(field.name for field in fields if isinstance(field, SiteKey) and not field.null)


@functools.cache
def depth(model: type[models.Model] | None) -> int:
    """How many rows a row is a part of, one within the other."""
    wholes = [model._meta.get_field(name).related_model for name in _wholes(model)] if model else []
    return 1 + max((depth(whole) for whole in wholes if isinstance(whole, type)), default=0)


@functools.cache
def _unchecked(model: type[models.Model]) -> frozenset[str]:
    """Fields that hold references: rows already, which keys check."""
    return frozenset(field.name for field in model._meta.fields if field.is_relation or field.primary_key)


class Work:
    """One change set being applied."""

    def __init__(self, change_set: ChangeSet, *, learning: bool = False) -> None:
        if change_set.state != ChangeSet.State.ACCEPTED:
            raise ValueError("a change set is applied once it is accepted, in the same transaction")
        self.change_set = change_set
        # A change of what all sites share has neither, and its operations ask for neither
        self.site_id: int = change_set.site_id  # type: ignore[assignment]
        self.step: int = change_set.step  # type: ignore[assignment]
        self.is_correction = change_set.kind == ChangeSet.Kind.CORRECTION
        self.site: Site | None = None
        """Its site, once a row of it has been read."""
        self.learning = learning
        """Whether the versions that it builds on are noted: for a draft."""
        self.labels: dict[str, Any] = {}
        self.results: list[Any] = []
        """What each operation applied so far made or changed."""
        self.expects: dict[str, int | list[int]] = {}
        self.found_expectations: list[dict[str, int | list[int]]] = []
        """``expects`` of each operation applied so far."""
        self._seen: dict[tuple[type[models.Model], int], models.Model] = {}
        self._made: set[tuple[type[models.Model], Any]] = set()

    # --- reading ------------------------------------------------------------------------------------------

    def resolve(self, values: Mapping[str, Any], references: Sequence[Parameter]) -> dict[str, Any]:
        """``values`` with each of ``references`` replaced by the row it names, as it is under the site's
        lock; ChangeRefused names all that fail."""
        problems: list[Problem] = []
        resolved = dict(values)
        for parameter in references:
            name, path = parameter.name, f"/{parameter.key}"
            value = values.get(name)
            if value is None:
                continue
            rows = []
            for place, item in enumerate(value if parameter.many else [value]):
                try:
                    rows.append(self._row(item, place=parameter.place))
                except ChangeRefused as refused:
                    at = f"{path}/{place}" if parameter.many else path
                    problems += [Problem(problem.detail, problem.code, at) for problem in refused.problems]
            resolved[name] = rows if parameter.many else next(iter(rows), None)
        if problems:
            raise ChangeRefused(problems)
        return resolved

    def _row(self, value: Any, *, place: bool) -> models.Model:
        """The row that a value names, as it is now, if it stands; a place may begin later."""
        if isinstance(value.pk, str):
            row = self._labelled(value)
        else:
            row = self._found(value.model if isinstance(value, Reference) else type(value), value.pk)
        # A correction may be of what has ended since
        if isinstance(row, Placed) and not self.is_correction:
            self.require_standing(row, place=place)
        return row

    def _found(self, model: type[M], pk: int) -> M:
        row = self._seen.get((model, pk))
        if row is None:
            rows = model._default_manager.filter(pk=pk)
            of_a_site = issubclass(model, Recorded)
            if of_a_site:
                rows = rows.filter(site_id=self.site_id)
                rows = rows.select_related("site", *_wholes(model))
            row = rows.first()
            if row is None:
                where = " on this site" if of_a_site else ""
                raise refuse(f"There is no {model._meta.verbose_name} {pk}{where}.", code="not_found")
            self._seen[model, pk] = row
            self.site = row.site if isinstance(row, Recorded) else self.site
            for name in _wholes(model):
                whole = getattr(row, name)
                self._seen.setdefault((type(whole), whole.pk), whole)
        return cast(M, row)

    def _labelled(self, reference: Reference) -> models.Model:
        """``@gateway`` is what the operation labelled ``gateway`` made; ``@gateway/output/2`` its output
        2."""
        label, *rest = str(reference.pk).removeprefix("@").split("/")
        row = self.labels.get(label)
        if row is None:
            known = listed([f"@{name}" for name in self.labels], 10) or "none before this one"
            raise refuse(f"No earlier operation is labelled {label} ({known}).", code="not_found")
        if len(rest) == 2 and rest[1].isdecimal():
            # A part is found by its number: an endpoint's outputs, a switch's ports
            row = reference.model._default_manager.filter(
                **{row._meta.model_name: row, "number": int(rest[1]), "end_step__isnull": True}
            ).first()
        if not isinstance(row, reference.model):
            raise refuse(f"{reference.pk} is no {reference.model._meta.verbose_name}.", code="not_found")
        return row

    def require_standing(self, thing: Placed, *, place: bool = False) -> None:
        """Refuse what did not stand yet at this step, or does not stand any more. ``place``: where something
        stands is not dated, so a place is only asked whether it has ended."""
        if thing.begin_step > self.step and not place:
            raise refuse(
                f"{describe(thing)} stands only since {self.named(thing.begin_step)}.", code="not_yet_there"
            )
        if thing.end_step is not None:
            raise refuse(f"{describe(thing)} was ended by {self.named(thing.end_step)}.", code="ended")

    def latest(self, facts: type[F], *thing: int) -> F | None:
        """The last row of facts of a thing, of any step."""
        rows = facts._default_manager.filter(**dict(zip(thing_fields(facts), thing, strict=True)))
        return rows.order_by("-step").first()

    def current(self, facts: type[F], *thing: int) -> F | None:
        """The facts that hold at this step, which must be the last ones; notes the version that was built on.

        A later row means that the operation is back-dated to before something known: refused, naming it.
        """
        row = self.latest(facts, *thing)
        if row is not None and row.step > self.step:
            raise refuse(
                f"This happened on {self.change_set.happened_on}, and {self.named(row.step)} already says "
                "what holds after it. Give a day from then on, or make a correction.",
                code="contradicts_later",
            )
        if row is not None and self.learning:
            self.expect(facts, thing, row.change_set_id)
        return row

    def expect(self, of: type[models.Model] | str, ids: Iterable[int], version: int | list[int]) -> None:
        """Note that the operation builds on this version of a row, unless this change set itself wrote it."""
        if self.learning and version != self.change_set.pk:
            name = of if isinstance(of, str) else of._meta.db_table
            self.expects.setdefault("/".join([name, *map(str, ids)]), version)

    def made(self, row: models.Model) -> bool:
        """Whether this change set made the row: a draft that is applied again makes another in its place, so
        that nothing can be expected of it."""
        return (type(row), row.pk) in self._made

    def forget(self, model: type[models.Model]) -> None:
        """Read rows of ``model`` again when they are next named: they were changed in bulk."""
        self._seen = {key: row for key, row in self._seen.items() if key[0] is not model}

    def read_again(self) -> None:
        """Read every row again when it is next named: what was written since a savepoint was rolled back."""
        self._seen = {}

    def named(self, step: int) -> str:
        """The change set of a step of this site, as a person refers to it."""
        return selectors.change_set_named(site_id=self.site_id, step=step)

    # --- writing ------------------------------------------------------------------------------------------

    def add(self, row: M, *, step: int | None = None) -> M:
        """Insert a row, of the record or of what sites share, checked by its model's fields. A thing begins,
        and facts hold, from this step on; a correction may give facts another ``step``."""
        if isinstance(row, Recorded) and self.site is not None:
            row.site = self.site
        elif isinstance(row, Recorded):
            row.site_id = self.site_id
        if hasattr(row, "change_set_id"):
            row.change_set_id = self.change_set.pk
        if isinstance(row, Placed):
            row.begin_step = self.step
        elif isinstance(row, DatedFacts):
            row.step = self.step if step is None else step
        clean(row)
        row.save(force_insert=True)
        self._made.add((type(row), row.pk))
        return row

    def alter(self, row: models.Model, given: Mapping[str, Any]) -> bool:
        """Change undated fields of a row; False when they say what it says already."""
        changed = _differences(row, given)
        if not changed:
            return False
        self._expect_row(row)
        for name, value in changed.items():
            setattr(row, name, value)
        clean(row, changed)
        self._update(row, changed)
        return True

    def remove(self, row: models.Model) -> None:
        """Delete a row that is not plant: the change record keeps what it said."""
        self._expect_row(row)
        type(row)._default_manager.filter(pk=row.pk).delete()

    def _expect_row(self, row: models.Model) -> None:
        if hasattr(row, "change_set_id") or hasattr(row, "version"):
            self.expect(type(row), [row.pk], version_of(row))

    def end(self, thing: Placed, *others: Placed) -> None:
        """End the thing, and ``others`` with it, from this step on. Its uses have been checked before."""
        for each in (thing, *others):
            if each.begin_step == self.step:
                raise refuse(
                    f"{describe(each)} was added by this very change set: leave both out.", code="refused"
                )
            self.expect(type(each), [each.pk], each.change_set_id)
            each.end_step = self.step
            self._update(each, {"end_step": self.step})

    def _update(self, row: models.Model, changed: Mapping[str, Any]) -> None:
        values = dict(changed)
        if hasattr(row, "change_set_id"):
            values["change_set_id"] = row.change_set_id = self.change_set.pk
        type(row)._default_manager.filter(pk=row.pk).update(**values)

    def supersede(self, facts: type[F], thing: Sequence[int], given: Mapping[str, Any]) -> F | None:
        """Write a thing's facts from this step on, as before except for ``given``; None when nothing
        differs."""
        if not given:
            return None
        if self.is_correction:
            raise refuse(
                f"{', '.join(given)}: what was recorded wrongly is corrected, not superseded; use the "
                "operation that ends in .correct.",
                code="kind_of_change",
                path=f"/{next(iter(given))}",
            )
        before = self.current(facts, *thing)
        if before is None:
            return self.add(facts(**dict(zip(thing_fields(facts), thing, strict=True)), **given))
        changed = _differences(before, given)
        if not changed:
            return None
        for name, value in changed.items():
            setattr(before, name, value)
        clean(before, changed)
        if before.step == self.step:
            self._update_facts(before, changed)
            return before
        return self.add(before)

    def _update_facts(self, row: DatedFacts, changed: Mapping[str, Any]) -> None:
        keys = {name: getattr(row, name) for name in (*thing_fields(type(row)), "step")}
        type(row)._default_manager.filter(**keys).update(**changed, change_set_id=self.change_set.pk)
        row.change_set_id = self.change_set.pk

    def correct(
        self,
        facts: type[F],
        thing: Sequence[int],
        given: Mapping[str, Any],
        *,
        held_on: dt.date | None,
        together: Sequence[Sequence[str]] = (),
    ) -> list[F]:
        """Rewrite facts that were wrong, in the row where the wrong value begins and those that carried it
        on.

        ``held_on``: the row valid at the end of that day begins it; None: the stretch of rows up to the last
        one that say the same. Fields of a group in ``together`` (a length and its basis) count as one value.
        A thing that they name is named from its own begin on. Returns the rows that were rewritten; what
        they said stays in the change record.
        """
        rows = list(
            facts._default_manager.filter(**dict(zip(thing_fields(facts), thing, strict=True))).order_by(
                "step"
            )
        )
        step = None if held_on is None else last_step_of(held_on)
        first = len([row for row in rows if step is None or row.step <= step]) - 1
        if first < 0:
            raise refuse("Nothing is recorded on that day that could be corrected.", path="/held_on")
        rewritten: dict[int, dict[str, Any]] = {}
        for group in _groups(given, together):
            begin = first
            named = [given[name] for name in group if isinstance(given.get(name), Placed)]
            since = max((thing.begin_step for thing in named), default=0)
            while step is None and begin > 0 and _same(rows[begin - 1], rows[first], group):
                if rows[begin - 1].step < since:
                    break
                begin -= 1
            for place in range(begin, len(rows)):
                if not _same(rows[place], rows[begin], group):
                    break
                changed = _differences(rows[place], only(given, group))
                if changed:
                    rewritten.setdefault(place, {}).update(changed)
        for place, changed in sorted(rewritten.items()):
            row = rows[place]
            self.expect(facts, [*thing, row.step], row.change_set_id)
            for name, value in changed.items():
                setattr(row, name, value)
            clean(row, changed)
            self._update_facts(row, changed)
        return [rows[place] for place in sorted(rewritten)]


def clean(row: models.Model, names: Iterable[str] | None = None) -> None:
    """Refuse values that the model's fields do not take (all of ``names``, or of the row, at once).

    References are left out: they are rows already, and keys hold them.
    """
    left_out: set[str] = set(_unchecked(type(row)))
    if names is not None:
        left_out |= {field.name for field in row._meta.fields}.difference(names)
    try:
        row.clean_fields(exclude=left_out)
    except ValidationError as error:
        raise ChangeRefused(
            Problem(f"{name}: {messages[0]}.", "invalid", f"/{name}")
            for name, messages in error.message_dict.items()
        ) from error


def describe(row: models.Model) -> str:
    """A row as a person refers to it: ``supply PS 1`` (id 12)."""
    kind = row._meta.verbose_name
    name = getattr(row, "name", None) or getattr(row, "number", None)
    return f"{kind} {name} (id {row.pk})" if name is not None else f"{kind} {row.pk}"


def only(given: Mapping[str, Any], fields: Iterable[str]) -> dict[str, Any]:
    """The values of ``given`` that are among ``fields``."""
    return {name: given[name] for name in fields if name in given}


def but(given: Mapping[str, Any], fields: Iterable[str]) -> dict[str, Any]:
    """The values of ``given`` that are not among ``fields``."""
    left_out = set(fields)
    return {name: value for name, value in given.items() if name not in left_out}


def _differences(row: models.Model, given: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: value for name, value in given.items() if _plain(value) != getattr(row, _attname(row, name))
    }


def _attname(row: models.Model, name: str) -> str:
    return str(cast("models.Field[Any, Any]", row._meta.get_field(name)).attname)


def _plain(value: Any) -> Any:
    return value.pk if isinstance(value, models.Model) else value


def _same(one: DatedFacts, other: DatedFacts, names: Iterable[str]) -> bool:
    return all(getattr(one, _attname(one, name)) == getattr(other, _attname(other, name)) for name in names)


def _groups(given: Mapping[str, Any], together: Sequence[Sequence[str]]) -> list[tuple[str, ...]]:
    grouped = [tuple(group) for group in together if any(name in given for name in group)]
    alone = [(name,) for name in given if not any(name in group for group in grouped)]
    return grouped + alone
