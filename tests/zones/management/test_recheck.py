"""`manage.py recheck`: sites it recomputes, figures as of a day, and refused input."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from sites.models.changes import Mark
from tests.halls import lose_facts
from tests.zones.recheck.conftest import Terminal, make_terminal
from tests.zones.recording import DAY, SiteRecord
from zones.models import DueDate, Figures, SiteCheck
from zones.recheck import checked

pytestmark = pytest.mark.django_db(transaction=True)

ADDED_ON = DAY + dt.timedelta(days=30)


@pytest.fixture(autouse=True)
def no_listeners(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("checked_listeners", "failed_listeners", "due_sources"):
        monkeypatch.setattr(checked, name, [])


@pytest.fixture
def overloaded(transactional_db: None) -> Terminal:
    """Twenty speakers on a supply of 2 A, and fourteen more a month later."""
    terminal = make_terminal(code="quay-9")
    terminal.add_speakers(14, ADDED_ON)
    return terminal


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Run the command and return what it printed."""
    monkeypatch.setenv("COLUMNS", "160")

    def run(*arguments: str) -> str:
        call_command("recheck", *arguments)
        return capsys.readouterr().out

    return run


def test_without_options_it_recomputes_what_is_marked(overloaded: Terminal, said: Any) -> None:
    assert said() == "1 site recomputed.\n"
    assert not Mark.objects.exists()
    assert Figures.objects.filter(site_id=overloaded.site_id).exists()
    assert said("--json") == '{"checked": 0, "failed": {}}\n'


def test_all_recomputes_what_is_not_marked_too(overloaded: Terminal, said: Any) -> None:
    SiteRecord()
    said()
    Figures.objects.all().delete()
    assert json.loads(said("--all", "--json")) == {"checked": 2, "failed": {}}
    assert Figures.objects.filter(site_id=overloaded.site_id).exists()
    assert not Mark.objects.exists()


def test_chosen_sites_are_recomputed_and_no_others(overloaded: Terminal, said: Any) -> None:
    other = SiteRecord("quay-4")
    assert said("--site", "quay-9", "--site", "quay-9") == "1 site recomputed.\n"
    assert Mark.objects.filter(site_id=other.site_id).exists()


def test_a_site_that_cannot_be_computed_is_named_and_the_status_says_so(
    overloaded: Terminal, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(_found: checked.Checked) -> None:
        raise ZeroDivisionError("broken")

    checked.on_checked(broken)
    with pytest.raises(SystemExit) as ended:
        call_command("recheck", "--site", "quay-9")
    assert ended.value.code == 1
    out = capsys.readouterr().out
    assert "0 sites recomputed.\nSite quay-9 failed: ZeroDivisionError: broken\n" in out


def test_as_of_a_day_prints_and_writes_nothing(overloaded: Terminal, said: Any) -> None:
    before = (ADDED_ON - dt.timedelta(days=1)).isoformat()
    then = said("--as-of", before)
    now = said("--as-of", ADDED_ON.isoformat())
    assert "quay-9 as of " + before in then
    # in chimes, since it is not recorded what the zone carries
    assert "Supply current, full output    │ 2.00 A (1.90 A to 2.10 A) │ limit 1.60 A │ near" in then
    assert "Supply current  " not in then
    assert "figures are within their limits." in then
    assert "supply PS 1" in now
    assert "1.70 A (1.61 A to 1.79 A)" in now
    assert "1.60 A" in now
    assert "past" in now
    assert Mark.objects.filter(site_id=overloaded.site_id).exists()
    for model in (Figures, SiteCheck, DueDate):
        assert not model.objects.exists()


def test_as_of_a_day_in_json_is_a_line_a_site_with_every_figure(overloaded: Terminal, said: Any) -> None:
    SiteRecord("quay-4")
    lines = said("--as-of", ADDED_ON.isoformat(), "--json").splitlines()
    sites = {site["site"]: site for site in map(json.loads, lines)}
    assert sites.keys() == {"quay-9", "quay-4"}
    assert sites["quay-4"]["figures"] == sites["quay-4"]["problems"] == []
    current = next(figure for figure in sites["quay-9"]["figures"] if figure["code"] == "supply_current")
    assert current | {"low": None, "high": None} == {
        "code": "supply_current",
        "subject": "supply PS 1",
        "subject_kind": 3,
        "subject_id": overloaded.supply.pk,
        "low": None,
        "likely": pytest.approx(1.7),
        "high": None,
        **dict.fromkeys(("low_limit", "limit", "high_limit"), pytest.approx(1.6)),
        "overloaded": [],
        "bounds": [],
        "unit": "A",
        "verdict": "past",
        **dict.fromkeys(("low_place", "place", "high_place"), ""),
    }
    assert sites["quay-9"]["as_of"] == ADDED_ON.isoformat()
    assert sites["quay-9"]["figures"][0] == current  # the worst first
    voltage = next(figure for figure in sites["quay-9"]["figures"] if figure["code"] == "run_voltage")
    assert voltage["place"]


def test_a_run_that_cannot_be_computed_is_named(transactional_db: None, said: Any) -> None:
    record = SiteRecord("quay-9")
    with record.change():
        run = record.run(supply=record.supply(name="PS 1"))
        first = record.point(run, "P1", 1.0)
        record.point(run, "P2", 2.0, parent=first)
    lose_facts(first)
    printed = said("--as-of", DAY.isoformat(), "--site", "quay-9")
    assert "Cannot be computed: run R1: the point before one of its points" in printed


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--site", "quay-8"], "--site quay-8: no site has this code. Did you mean quay-9?"),
        (["--as-of", "yesterday"], "--as-of yesterday: expected a day such as 2026-11-25, from 1970 to 2200"),
        (
            ["--as-of", "2026-02-30"],
            "--as-of 2026-02-30: expected a day such as 2026-11-25, from 1970 to 2200",
        ),
    ],
)
def test_bad_input_is_refused_with_what_is_expected(
    overloaded: Terminal, arguments: list[str], message: str
) -> None:
    with pytest.raises(CommandError) as refused:
        call_command("recheck", *arguments)
    assert str(refused.value) == message
    assert refused.value.returncode == 2


def test_all_and_chosen_sites_exclude_each_other(transactional_db: None) -> None:
    with pytest.raises(CommandError, match="not allowed with argument"):
        call_command("recheck", "--all", "--site", "quay-9")


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "7200"])
def test_a_sweep_refuses_a_bad_interval(transactional_db: None, seconds: str) -> None:
    with pytest.raises(CommandError, match=r"expected 0\.01 to 3600 seconds") as refused:
        call_command("sweep", "--loop", f"--interval={seconds}")
    assert refused.value.returncode == 2


def test_a_sweep_prints_its_counts(overloaded: Terminal, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("sweep")
    assert "1 site recomputed. 0 failed." in capsys.readouterr().out
