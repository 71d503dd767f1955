"""One of some words, by an enumeration."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from typing import Any

from django.db import models

from .fact import Fact


class _Worded(Fact):
    """One of some words, by an enumeration of Django's; a migration needs the words alone."""

    words: dict[str, Any]

    def __init__(self, words: type[models.Choices] | Sequence[str], **kwargs: Any) -> None:
        if isinstance(words, type):
            self.words = {word_of(member): member for member in words}
            kwargs["choices"] = words.choices
        else:
            self.words = dict(zip(words, self._stored(words), strict=True))
            kwargs["choices"] = [(value, word) for word, value in self.words.items()]
        self._word_of = {value: word for word, value in self.words.items()}
        super().__init__(**kwargs)

    @staticmethod
    def _stored(words: Sequence[str]) -> Iterable[Any]:
        """What stands in the column for each word."""
        return words

    @property
    def expected(self) -> str:
        return f"one of {', '.join(self.words)}"

    @property
    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.words)}

    def parse(self, value: Any) -> Any:
        if value is None and self.null:
            return None
        if isinstance(value, enum.Enum) and value in self.words.values():
            return value
        if not isinstance(value, str) or value not in self.words:
            raise self._wrong()
        return self.words[value]

    def write(self, value: Any) -> Any:
        return None if value is None else self._word_of[value]

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        return name, path, [list(self.words), *args], kwargs


class WordField(_Worded, models.CharField):
    """One of some words, kept as the word."""

    def __init__(self, words: type[models.Choices] | Sequence[str], **kwargs: Any) -> None:
        listed = [word_of(member) for member in words] if isinstance(words, type) else words
        kwargs.setdefault("max_length", max(map(len, listed)))
        super().__init__(words, **kwargs)

    def conditions(self, column: str) -> list[str]:
        return [f"{column} IN ({', '.join(repr(word) for word in self.words)})"]


class NumberedWordField(_Worded, models.SmallIntegerField):
    """One of some words, kept as its place among them."""

    @staticmethod
    def _stored(words: Sequence[str]) -> Iterable[Any]:
        return range(len(words))

    def conditions(self, column: str) -> list[str]:
        return [f"{column} BETWEEN 0 AND {len(self.words) - 1}"]


def word_of(member: enum.Enum) -> str:
    """How JSON says a choice: always a word."""
    return member.value if isinstance(member.value, str) else member.name.lower()
