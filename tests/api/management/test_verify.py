"""`manage.py verify` fails when a step does, and does the others all the same."""

import io

import pytest
from django.core.management import CommandError, call_command

from api.management.commands import verify
from api.management.commands.verify import MANAGE, Step

GOOD = Step("good", "passes", MANAGE, ("help",))
BAD = Step("bad", "fails", MANAGE, ("no-such-command",))


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> tuple[Step, ...]:
    steps = (BAD, GOOD)
    monkeypatch.setattr(verify, "STEPS", steps)
    return steps


@pytest.mark.usefixtures("steps")
def test_a_failed_step_fails_all_and_hides_none(capfd: pytest.CaptureFixture[str]) -> None:
    said = io.StringIO()
    with pytest.raises(CommandError, match="failed: bad"):
        call_command("verify", stdout=said)
    assert [line.split()[0] for line in said.getvalue().splitlines()[-2:]] == ["FAILED", "passed"]


@pytest.mark.usefixtures("steps")
def test_a_step_can_be_left_out_and_one_alone_be_run(capfd: pytest.CaptureFixture[str]) -> None:
    for words in (("--without", "bad"), ("--only", "good")):
        said = io.StringIO()
        call_command("verify", *words, stdout=said)
        begun, ended, summary = said.getvalue().splitlines()
        assert begun.endswith("good: passes")
        assert (ended.split()[0], ended.split()[-1]) == ("passed", "good")
        assert summary == "passed: 1 of 1 steps"


def test_a_missing_tool_is_named_before_anything_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "STEPS", (GOOD, Step("x", "y", "no-such-tool")))
    said = io.StringIO()
    with pytest.raises(CommandError, match=r"no-such-tool\..*requirements-dev\.txt"):
        call_command("verify", stdout=said)
    assert said.getvalue() == ""


def test_every_step_is_there() -> None:
    assert [step.name for step in verify.STEPS] == [
        "lint",
        "format",
        "types",
        "arrows",
        "migrations",
        "tests",
    ]
    assert all(step.command() for step in verify.STEPS)
