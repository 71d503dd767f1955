"""Every body has an example in the description, and every example is what the description says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from api.conventions.schema import description
from api.v1.examples import ANSWERS, BODIES
from zones.limits.cautions import Caution


def contents() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Where a body or an answer stands, its component, and what is said of it."""
    for path, operations in description()["paths"].items():
        for method, operation in operations.items():
            bodies = {"body": operation.get("requestBody", {}), **operation["responses"]}
            for what, body in bodies.items():
                content = body.get("content", {}).get("application/json")
                if content is not None:
                    component = content["schema"].get("$ref", "").rpartition("/")[2]
                    yield f"{method.upper()} {path} {what}", component, content


def validate(content: dict[str, Any]) -> None:
    whole = {**content["schema"], "components": description()["components"]}
    jsonschema.Draft202012Validator(
        whole, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    ).validate(content["example"])


def test_every_body_has_an_example() -> None:
    bare = [where for where, _, content in contents() if where.endswith("body") and "example" not in content]
    assert not bare, "add an example to api/v1/examples.json for each of these"


def test_every_example_is_as_it_is_described() -> None:
    checked = 0
    for where, _, content in contents():
        if "example" in content:
            try:
                validate(content)
            except jsonschema.ValidationError as error:
                pytest.fail(f"{where}: {error.message}")
            checked += 1
    assert checked > len(BODIES)


def test_every_example_is_of_something() -> None:
    used = {component for _, component, _ in contents()}
    assert set(BODIES) | set(ANSWERS) <= used


def test_the_example_of_a_calculation_comes_out_as_its_answer_says() -> None:
    from zones.electrical.described_run import answer, describe

    run = describe(BODIES["DescribedRun"])
    found: Any = answer(run, run.solve())
    stated: Any = ANSWERS["Solved"]
    assert found["source_current_a"] == pytest.approx(stated["source_current_a"], abs=1e-4)
    assert [point["voltage_v"] for point in found["points"]] == pytest.approx(
        [point["voltage_v"] for point in stated["points"]], abs=1e-4
    )


def test_the_cautions_of_the_examples_are_those_of_the_service() -> None:
    (shown,) = ANSWERS["ZoneLoad"]["cautions"]
    assert shown["text"] == Caution(shown["code"]).text
    assert ANSWERS["Solved"]["caution"] == Caution.LOCAL_CODE.text
