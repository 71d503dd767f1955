"""What of an older description a newer one breaks for a program that was written against the older.

What a program sends must still be taken, and what it reads must still be there. Not counted: what is added,
another value of an enumeration in an answer (a program passes over words that it does not know), and texts.

Tools were looked for: those that are kept fetch a binary as they are installed, or know OpenAPI 2 or 3.0
only.

    python -m tests.api.compatibility    # keeps the description of this release, as one is cut
"""

from __future__ import annotations

import json
import operator
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

Schema = Mapping[str, Any]

KEPT: Final = Path(__file__).with_name("released_description.json")
_METHODS: Final = ("get", "post", "put", "patch", "delete")
_TEXTS: Final = frozenset({"description", "summary", "example", "examples", "title"})
# Bounds of what is sent that may not become tighter, by direction
_AT_MOST: Final = ("maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties")
_AT_LEAST: Final = ("minimum", "exclusiveMinimum", "minLength", "minItems", "minProperties")


def breaks(old: Schema, new: Schema) -> list[str]:
    """Where the description `new` breaks a program that follows `old`, each in a line."""
    return list(_Comparison(old, new).all())


class _Comparison:
    def __init__(self, old: Schema, new: Schema) -> None:
        self.old, self.new = old, new
        self._known: dict[tuple[str, str, bool], list[str]] = {}

    def all(self) -> Iterator[str]:
        for path, operations in self.old["paths"].items():
            for method in _METHODS:
                if method not in operations:
                    continue
                where, now = f"{method.upper()} {path}", self.new["paths"].get(path, {}).get(method)
                if now is None:
                    yield f"{where} is gone"
                else:
                    yield from (f"{where}{said}" for said in self._operation(operations[method], now))
        for kind, webhook in self.old.get("webhooks", {}).items():
            now = self.new.get("webhooks", {}).get(kind)
            if now is None:
                yield f"webhook {kind} is gone"
                continue
            pushed = self._contents(webhook["post"]["requestBody"], now["post"]["requestBody"], sent=False)
            yield from (f"webhook {kind}{said}" for said in pushed)

    def _operation(self, old: Schema, new: Schema) -> Iterator[str]:
        for name in ("operationId", "x-ability"):
            if old.get(name) != new.get(name):
                yield f": {name} was {old.get(name)}, and is {new.get(name)}"
        yield from self._parameters(old, new)
        if "requestBody" in new:
            if "requestBody" not in old:
                yield ": takes a body, and took none"
            else:
                yield from self._contents(old["requestBody"], new["requestBody"], sent=True)
        elif "requestBody" in old:
            yield ": takes no body any more"
        for status, answer in old["responses"].items():
            if not status.startswith("2"):
                continue
            if status not in new["responses"]:
                yield f": no answer {status} any more"
            else:
                yield from self._contents(answer, new["responses"][status], sent=False)

    def _parameters(self, old: Schema, new: Schema) -> Iterator[str]:
        before, after = (
            {(one["in"], one["name"]): one for one in operation.get("parameters", ())}
            for operation in (old, new)
        )
        for key, one in before.items():
            if key not in after:
                yield f": parameter {key[1]} is gone"
            else:
                found = self._schema(one["schema"], after[key]["schema"], sent=True)
                yield from (f": parameter {key[1]}{said}" for said in found)
        for key, one in after.items():
            if one.get("required") and not before.get(key, {}).get("required"):
                yield f": parameter {key[1]} must be given"

    def _contents(self, old: Schema, new: Schema, *, sent: bool) -> Iterator[str]:
        what = "body" if sent else "answer"
        for kind, content in old.get("content", {}).items():
            if kind not in new.get("content", {}):
                yield f": {what} as {kind} is gone"
                continue
            found = self._schema(content["schema"], new["content"][kind]["schema"], sent=sent)
            yield from (f": {what}{said}" for said in found)

    def _schema(self, old: Schema, new: Schema, *, sent: bool) -> list[str]:
        """Each place below, as a path and what is wrong there. Compared once for each pair of components; one
        that contains itself is taken to agree with itself."""
        key = (json.dumps(old, sort_keys=True), json.dumps(new, sort_keys=True), sent)
        if key not in self._known:
            self._known[key] = []
            self._known[key] = list(
                self._resolved(_resolved(old, self.old), _resolved(new, self.new), sent=sent)
            )
        return self._known[key]

    def _resolved(self, old: Schema, new: Schema, *, sent: bool) -> Iterator[str]:
        alternatives = _alternatives(old), _alternatives(new)
        if len(alternatives[0]) > 1 or len(alternatives[1]) > 1:
            yield from self._any_of(*alternatives, sent=sent)
            return
        (old,), (new,) = alternatives
        old, new = _resolved(old, self.old), _resolved(new, self.new)
        was, now = _types(old), _types(new)
        if not (was <= now if sent else now <= was) and was and now:
            yield f" was {_said(was)}, and is {_said(now)}"
            return
        yield from _values(old, new, sent=sent)
        if sent:
            yield from _bounds(old, new)
        if "properties" in old or "properties" in new:
            yield from self._properties(old, new, sent=sent)
        if "items" in old and "items" in new:
            yield from (f"/*{said}" for said in self._schema(old["items"], new["items"], sent=sent))

    def _any_of(self, old: list[Schema], new: list[Schema], *, sent: bool) -> Iterator[str]:
        """What is sent must fit one of the new ones; what is answered must be one of the old."""
        ones, others = (old, new) if sent else (new, old)
        for one in ones:
            found = [self._schema(*((one, other) if sent else (other, one)), sent=sent) for other in others]
            if all(found):
                yield from min(found, key=len)

    def _properties(self, old: Schema, new: Schema, *, sent: bool) -> Iterator[str]:
        before, after = old.get("properties", {}), new.get("properties", {})
        must, must_now = set(old.get("required", ())), set(new.get("required", ()))
        for name, schema in before.items():
            if name in after:
                found = self._schema(schema, after[name], sent=sent)
                yield from (f"/{name}{said}" for said in found)
            elif not sent or new.get("additionalProperties") is False:
                yield f"/{name} is gone"
        for name in sorted(must_now - must if sent else (must - must_now) & after.keys()):
            yield f"/{name} must be given" if sent else f"/{name} may be missing"


def _resolved(schema: Schema, whole: Schema) -> Schema:
    while "$ref" in schema:
        node: Any = whole
        for step in schema["$ref"].removeprefix("#/").split("/"):
            node = node[step]
        schema = node
    if len(schema.get("allOf", ())) == 1:
        return _resolved(schema["allOf"][0], whole)
    return schema


def _alternatives(schema: Schema) -> list[Schema]:
    return list(schema.get("anyOf") or schema.get("oneOf") or [schema])


def _types(schema: Schema) -> frozenset[str]:
    said = schema.get("type", ())
    types = {said} if isinstance(said, str) else {*said}
    return frozenset(types | ({"integer"} if "number" in types else set()))


def _said(types: frozenset[str]) -> str:
    return " or ".join(sorted(types))


def _values(old: Schema, new: Schema, *, sent: bool) -> Iterator[str]:
    was, now = _enumerated(old), _enumerated(new)
    if now is not None and (was is None or not set(was) <= set(now)) and (sent or was is not None):
        lost = "any value" if was is None else ", ".join(sorted(map(str, set(was) - set(now))))
        if sent:
            yield f" takes {lost} no more"
        elif "const" in old:
            yield f" is {lost} no more"


def _enumerated(schema: Schema) -> list[Any] | None:
    return [schema["const"]] if "const" in schema else schema.get("enum")


def _bounds(old: Schema, new: Schema) -> Iterator[str]:
    for names, tighter in ((_AT_MOST, operator.lt), (_AT_LEAST, operator.gt)):
        for name in names:
            # A minimum that every value of the type keeps is not a bound
            without = 0 if name.startswith("min") and name != "minimum" else None
            was, now = old.get(name, without), new.get(name, without)
            if now is not None and (was is None or tighter(now, was)):
                yield f" has {name} {now}" + ("" if was is None else f", which was {was}")
    if "pattern" in new and old.get("pattern") != new["pattern"]:
        yield f" must match {new['pattern']}"


# --- the description that is kept ---------------------------------------------------------------------------


def kept() -> tuple[str, Schema]:
    """The last release, and its description."""
    found = json.loads(KEPT.read_text(encoding="utf-8"))
    return found["release"], found["description"]


def keep(release: str, description: Schema) -> None:
    """Keep what programs rely on of a description: all but its texts; one line a path and a component."""
    bare = _without_texts(description)
    parts = {
        "openapi": bare["openapi"],
        "paths": bare["paths"],
        "webhooks": bare.get("webhooks", {}),
        "components": {"schemas": bare["components"]["schemas"]},
    }
    KEPT.write_text(f'{{"release": "{release}",\n"description": {_lined(parts)}}}\n', encoding="utf-8")


def _without_texts(node: Any, *, named: bool = False) -> Any:
    """named: its keys are names of ours, not words of the specification."""
    if isinstance(node, dict):
        return {
            key: _without_texts(
                value, named=key in ("properties", "schemas", "paths", "webhooks") and not named
            )
            for key, value in node.items()
            if named or key not in _TEXTS
        }
    return [_without_texts(one) for one in node] if isinstance(node, list) else node


def _lined(parts: Mapping[str, Any]) -> str:
    def lines(found: Mapping[str, Any]) -> str:
        return ",\n".join(f"{json.dumps(key)}: {json.dumps(value)}" for key, value in found.items())

    return (
        f'{{"openapi": "{parts["openapi"]}",\n"paths": {{\n{lines(parts["paths"])}}},\n'
        f'"webhooks": {{\n{lines(parts["webhooks"])}}},\n'
        f'"components": {{"schemas": {{\n{lines(parts["components"]["schemas"])}}}}}}}'
    )


if __name__ == "__main__":
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    from api.conventions.schema import description as made
    from api.database.releases import RELEASES

    keep(RELEASES[-1].version, made())
