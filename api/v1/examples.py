"""Examples of what is sent and answered, from examples.json, by the name of the component in the description:
one for every body, each held against its own schema by a test."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from drf_spectacular.generators import SchemaGenerator
from rest_framework.request import Request

_FILE: Final = json.loads(Path(__file__).with_name("examples.json").read_text(encoding="utf-8"))
_WHY: Final = _FILE["reasons"]["work"]
_WRONG: Final = _FILE["reasons"]["correction"]

BODIES: Final[dict[str, dict[str, Any]]] = {
    **{name: {**body, "change": _WHY} for name, body in _FILE["work"].items()},
    **{name: {**body, "change": _WRONG} for name, body in _FILE["corrections"].items()},
    **_FILE["other_bodies"],
}
ANSWERS: Final[dict[str, dict[str, Any]]] = _FILE["answers"]


def add_examples(
    result: dict[str, Any],
    generator: SchemaGenerator,  # noqa: ARG001 - the signature of a hook
    request: Request | None,  # noqa: ARG001
    public: bool,  # noqa: ARG001
) -> dict[str, Any]:
    """A hook: puts the examples beside the bodies and answers that they are of."""
    schemas = result["components"]["schemas"]
    for operations in result["paths"].values():
        for operation in operations.values():
            bodies = [operation.get("requestBody", {}), *operation["responses"].values()]
            for content in (body.get("content", {}).get("application/json") for body in bodies):
                name = (content or {}).get("schema", {}).get("$ref", "").rpartition("/")[2]
                example = ANSWERS.get(name) or example_of(name, schemas.get(name, {}))
                if content is not None and example is not None:
                    content["example"] = example
    return result


def example_of(component: str, schema: dict[str, Any]) -> dict[str, Any] | None:
    """The example of a body; of one that takes nothing but a reason, that reason; of many at once, that of
    one of them."""
    if component in BODIES:
        return BODIES[component]
    one = _FILE["work"].get(component.removesuffix("Bulk"))
    if one is not None:
        return {"items": [one], "change": _WHY}
    return {"change": _WHY} if list(schema.get("properties", ())) == ["change"] else None
