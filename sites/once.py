"""Things that are read once while a page or an answer is made, even where many of its parts ask for them.

A page is made of several answers, and most of them begin with the same thing, its history, its site and what
fed its runs. Outside of `reading_once` everything is read again."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")

_read: ContextVar[dict[Any, Any] | None] = ContextVar("read", default=None)


@contextmanager
def reading_once() -> Iterator[None]:
    """While it lasts, each function that is `once` reads once for the same arguments. Only for a request that
    writes nothing in between. Inside of another one, it is part of that."""
    if _read.get() is not None:
        yield
        return
    before = _read.set({})
    try:
        yield
    finally:
        _read.reset(before)


@contextmanager
def reading_again() -> Iterator[None]:
    """While it lasts, everything is read again: for what writes, if only to take it back."""
    before = _read.set(None)
    try:
        yield
    finally:
        _read.reset(before)


def once(read: Callable[P, R]) -> Callable[P, R]:
    """A function that reads the record. All who ask get the same object, so none may change it."""

    @functools.wraps(read)
    def kept(*args: P.args, **kwargs: P.kwargs) -> R:
        known = _read.get()
        if known is None:
            return read(*args, **kwargs)
        key = (read, _key(args), _key(kwargs))
        if key not in known:
            known[key] = read(*args, **kwargs)
        found: R = known[key]
        return found

    return kept


def _key(value: Any) -> Any:
    """The same for the same argument; of several ids their order does not count."""
    if isinstance(value, Mapping):
        return frozenset((name, _key(one)) for name, one in value.items())
    if isinstance(value, tuple):
        return tuple(map(_key, value))
    if isinstance(value, Collection) and not isinstance(value, str | bytes):
        return frozenset(map(_key, value))
    return value
