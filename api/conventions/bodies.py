"""JSON in, strictly: what two readers could understand differently is refused, and so is what fills the
memory. JSON out, fast: of a long list the standard library's encoder took a ninth of all the time."""

from __future__ import annotations

import codecs
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import IO, Any, Final, NoReturn

import orjson
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.utils.encoders import JSONEncoder

from sites.wording import shortened

from .problems import LARGEST_BODY_BYTES, MALFORMED_BODY, TOO_LARGE, ProblemError

_LARGEST_WHOLE: Final = 2**53
"""Up to there a double has each whole number once."""


class StrictJSONParser(BaseParser):
    """One JSON value in UTF-8: no name twice in an object, no number that is not finite, no endless body."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[bytes],
        media_type: str | None = None,  # noqa: ARG002 - the library's signature
        parser_context: Mapping[str, Any] | None = None,  # noqa: ARG002
    ) -> Any:
        # One byte more than is allowed is enough to know; Content-Length may lie
        body = stream.read(LARGEST_BODY_BYTES + 1)
        if len(body) > LARGEST_BODY_BYTES:
            raise ProblemError(
                TOO_LARGE, f"The body is larger than {LARGEST_BODY_BYTES // 1024 // 1024} MiB."
            )
        try:
            text = body.removeprefix(codecs.BOM_UTF8).decode("utf-8")
        except UnicodeDecodeError as error:
            raise ProblemError(
                MALFORMED_BODY, f"The body is not UTF-8: byte {error.start} cannot be read."
            ) from error
        try:
            return json.loads(
                text, object_pairs_hook=unrepeated, parse_float=_number, parse_constant=_refuse_constant
            )
        except json.JSONDecodeError as error:
            where = f"Line {error.lineno}, column {error.colno}"
            raise ProblemError(MALFORMED_BODY, f"{where}: {error.msg}.") from error
        except RecursionError as error:
            raise ProblemError(MALFORMED_BODY, "The body is nested too deeply.") from error
        except ValueError as error:  # an integer of thousands of digits
            raise ProblemError(MALFORMED_BODY, "The body holds a number that is too long.") from error


def unrepeated(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """The object of these pairs; ProblemError where a name stands twice, or no answer could repeat it."""
    found = dict(pairs)
    for name in found:
        if not name.isascii() and any("\ud800" <= letter <= "\udfff" for letter in name):
            raise ProblemError(MALFORMED_BODY, f"The name {name[:60]!a} holds half of a character.")
    if len(found) < len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise ProblemError(MALFORMED_BODY, f"The name {name[:60]!r} stands twice in one object.")
            seen.add(name)
    return found


def _number(text: str) -> float:
    """A number with a point or an exponent; 16.0 is the whole number 16, as JSON Schema has it (2020-12,
    validation, section 6.1.1)."""
    value = float(text)
    if not math.isfinite(value):
        raise ProblemError(MALFORMED_BODY, f"The number {shortened(text)} is out of range.")
    return int(value) if value.is_integer() and abs(value) <= _LARGEST_WHOLE else value


def _refuse_constant(name: str) -> NoReturn:
    raise ProblemError(
        MALFORMED_BODY, f"{name} is not a JSON number; leave out what is not known, or send null."
    )


_OTHERS: Final = JSONEncoder().default


def to_json(data: Any) -> bytes:
    """JSON by orjson: times, decimals and the rest as REST framework writes them. NaN and infinity (none
    should get here) become null."""
    try:
        return orjson.dumps(data, default=_OTHERS, option=orjson.OPT_PASSTHROUGH_DATETIME)
    except orjson.JSONEncodeError:  # a key is not a text: checking every key takes half as long again
        return orjson.dumps(
            data, default=_OTHERS, option=orjson.OPT_PASSTHROUGH_DATETIME | orjson.OPT_NON_STR_KEYS
        )


class Rendered(Mapping[str, Any]):
    """An answer with its JSON: what had to be measured is rendered once, so the answer is only read from then
    on.

    >>> Rendered({"items": [1, 2], "next": None}, items=b"[1,2]").json
    b'{"items":[1,2],"next":null}'
    """

    def __init__(self, answer: Mapping[str, Any], **rendered: bytes) -> None:
        """rendered: parts of the answer, by name, as the JSON that they already are."""
        self._answer = dict(answer)
        self.json = to_json({**answer, **{name: orjson.Fragment(part) for name, part in rendered.items()}})

    def __getitem__(self, name: str) -> Any:
        return self._answer[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._answer)

    def __len__(self) -> int:
        return len(self._answer)


class FastJSONRenderer(JSONRenderer):
    """What REST framework's renderer gives, by orjson."""

    def render(
        self,
        data: Any,
        accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> bytes:
        if data is None:
            return b""
        if self.get_indent(accepted_media_type or "", dict(renderer_context or {})):  # asked for by a person
            return super().render(data, accepted_media_type, renderer_context)
        return data.json if isinstance(data, Rendered) else to_json(data)


class Negotiation(DefaultContentNegotiation):
    def select_renderer(
        self, request: Request, renderers: Iterable[BaseRenderer], format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        """What most programs accept is known without reading it."""
        first, *others = renderers
        if not others and request.headers.get("Accept", "*/*") in ("*/*", first.media_type):
            return first, first.media_type
        chosen: tuple[BaseRenderer, str] = super().select_renderer(request, renderers, format_suffix)
        return chosen
