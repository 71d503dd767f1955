"""The usual operations on a kind of thing: it is added, altered, corrected, ended or removed, and nothing
else follows from that."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Generic, TypeVar

from django.db import models

from sites.changes.errors import Problem, require
from sites.changes.operations import HeldOn, Operation, Use, operation
from sites.changes.parameters import Parameter, parameter_of
from sites.changes.work import Work, but, only
from sites.fields import facts_of
from sites.models import DatedFacts, Placed, Recorded
from sites.rules.equipment import MODELS, require_model

from .uses import require_unused

M = TypeVar("M", bound=models.Model)


class Usual(Generic[M]):
    """The operations on a ``model``, and on its dated ``facts`` where it has such. Each is registered under
    the name of the table and its verb, and takes the fields of both. ``fitting`` gives the facts of a thing
    with what follows from them, or refuses them. ``agreeing``: what is wrong with the values of a row
    together."""

    def __init__(
        self,
        model: type[M],
        facts: type[DatedFacts] | None = None,
        fitting: Callable[[Work, M, dict[str, Any]], dict[str, Any]] = lambda _work, _thing, state: state,
        agreeing: Callable[[Mapping[str, Any]], Iterable[Problem]] = lambda _values: (),
    ) -> None:
        self._model = model
        self._facts = facts
        self._fitting = fitting
        self._agreeing = agreeing
        self._name = model._meta.db_table
        self._dated = facts_of(facts) if facts is not None else ()
        self._thing = Parameter(self._name, required=True, nullable=False, model=model)

    def adds(self, sentence: str, *required: str) -> Operation[..., M]:
        """``required``: the fields that must be given."""

        def add(work: Work, /, **given: Any) -> M:
            self._require_model(given)
            require(self._agreeing(given))
            thing = work.add(self._model(**but(given, self._dated)))
            if self._facts is not None:
                work.add(self._facts(**{self._name: thing}, **only(given, self._dated)))
            return thing

        fields = [parameter_of(self._model._meta.get_field(name), required=True) for name in required]
        takes = [*fields, *facts_of(self._model, *required), *self._dated]
        # What stands on a site is added by work there
        use = Use.WORK if issubclass(self._model, Placed) else Use.ANY
        return self._register("add", sentence, takes, use, add)

    def alters(self, sentence: str) -> Operation[..., M]:
        def alter(work: Work, /, **given: Any) -> M:
            thing: M = given.pop(self._name)
            self._require_model(given)
            now = {name: getattr(thing, name) for name in facts_of(self._model)}
            require(self._agreeing(now | given))
            work.alter(thing, but(given, self._dated))
            state = only(given, self._dated)
            if self._facts is not None and state:
                work.supersede(self._facts, [thing.pk], self._fitting(work, thing, state))
            return thing

        takes = [self._thing, *facts_of(self._model), *self._dated]
        return self._register("alter", sentence, takes, Use.ANY, alter)

    def corrects(self, sentence: str, together: Sequence[Sequence[str]] = ()) -> Operation[..., M]:
        """``together``: groups of facts that are one value, such as a length and its basis."""

        def correct(work: Work, /, *, held_on: HeldOn = None, **given: Any) -> M:
            assert self._facts is not None
            thing: M = given.pop(self._name)
            self._require_model(given)
            state = self._fitting(work, thing, given)
            work.correct(self._facts, [thing.pk], state, held_on=held_on, together=together)
            return thing

        return self._register("correct", sentence, [self._thing, *self._dated], Use.CORRECTION, correct)

    def ends(self, sentence: str) -> Operation[..., M]:
        def end(work: Work, /, **given: Any) -> M:
            thing: Any = given[self._name]
            if self._facts is not None:
                work.current(self._facts, thing.pk)
            require_unused(work, thing)
            work.end(thing)
            return thing  # type: ignore[no-any-return]

        return self._register("end", sentence, [self._thing], Use.WORK, end)

    def removes(self, sentence: str) -> Operation[..., M]:
        def remove(work: Work, /, **given: Any) -> M:
            row: M = given[self._name]
            work.remove(row)
            return row

        return self._register("remove", sentence, [self._thing], Use.ANY, remove)

    def _require_model(self, given: dict[str, Any]) -> None:
        if self._name in MODELS:
            require_model(self._name, given.get("model"))

    def _register(
        self, verb: str, sentence: str, takes: list[Any], use: Use, apply: Any
    ) -> Operation[..., M]:
        of: list[type[models.Model]] = [self._model] if self._facts is None else [self._model, self._facts]
        shared = not issubclass(self._model, Recorded)
        registered: Operation[..., M] = operation(
            f"{self._name}.{verb}", sentence, of=of, takes=takes, use=use, shared=shared
        )(apply)
        return registered
