"""The service and the oracle agree on invented histories: figures, verdicts, findings, attributions,
cases."""

from __future__ import annotations

import datetime as dt
import random

import pytest

from tests import factories
from zones.recheck.sweep import sweep

from .comparing import Report, compare_evaluation, compare_sweep
from .comparing_proofs import compare_outcomes, compare_proofs
from .computing import Computed
from .figures import RULES
from .histories.catalogue import make_catalogue
from .histories.editing import edit_shared
from .histories.playing import History
from .histories.things import Tally
from .record import read_record

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

SIDE_BY_SIDE = 6
"""Sites that are played at a time, and swept together."""
GROUPS, GROUPS_LONG = 1, 3
PAUSES = 3
# What so many histories cannot fail to bring about (with --long); where they do, they have become too tame to
# show anything
SEEN = [
    *(f"figure {code}" for code in RULES if code != "cannot_compute"),
    *(f"judged {word}" for word in ("within", "near", "cannot_tell", "probably_past", "past")),
    *(f"attributed: {kind}" for kind in ("addition", "alteration", "record correction", "as found")),
    "between",
    "settled",
    "unsettled",
    "no solution",
    "fed in its midst",
    "paging sets",
    "watts",
    "uncovered",
    "events",
]


def test_the_service_agrees_with_the_oracle(chapter: int, pytestconfig: pytest.Config) -> None:
    """Sites played side by side, swept together now and then and at the end."""
    long = pytestconfig.getoption("--long")
    report = tell(chapter, groups=GROUPS_LONG if long else GROUPS, edited=False)
    if long:
        assert [what for what in SEEN if not report.compared[what]] == []


def test_the_service_agrees_where_factors_and_ratings_are_edited(
    chapter: int, pytestconfig: pytest.Config
) -> None:
    if pytestconfig.getoption("--long"):
        tell(1000 + chapter, groups=1, edited=True)
    else:
        # After an edit of the catalogue every site is attributed again, which the oracle takes long for
        tell(1000 + chapter, groups=1, edited=True, sites=2, rounds=(16, 26))


def tell(
    chapter: int,
    *,
    groups: int,
    edited: bool,
    sites: int = SIDE_BY_SIDE,
    rounds: tuple[int, int] = (22, 46),
) -> Report:
    """rounds: the fewest and the most changes of a site."""
    report, tally = Report(), Tally()
    catalogue = make_catalogue()
    contract = factories.make_contract(factories.make_customer())
    for group in range(groups):
        first = (chapter * groups + group) * SIDE_BY_SIDE
        histories = [History(first + number, catalogue, contract) for number in range(sites)]
        play_and_compare(histories, random.Random(first), report, rounds, edited=edited)
        for history in histories:
            tally.add(history.tally)
    print(f"{tally.accepted} change sets accepted; refused: {dict(tally.refused)}")
    print(f"compared: {dict(sorted(report.compared.items()))}; knife edges: {dict(report.knife_edges)}")
    assert not report.differences, "\n".join(report.differences[:40])
    assert sum(report.knife_edges.values()) <= sum(report.compared.values()) / 1000
    return report


def play_and_compare(
    histories: list[History],
    rng: random.Random,
    report: Report,
    rounds: tuple[int, int],
    *,
    edited: bool = False,
) -> None:
    lengths = [rng.randint(*rounds) for _ in histories]
    playing = [history.play(length) for history, length in zip(histories, lengths, strict=True)]
    pauses = set(rng.sample(range(3, min(lengths)), PAUSES))
    now = dt.datetime.min.replace(tzinfo=dt.UTC)
    for round_ in range(1, max(lengths) + 1):
        for history in playing:
            next(history, None)
        if edited and rng.random() < 0.4:
            edit_shared(rng, histories[0].things.catalogue)
        if round_ in pauses:
            now = max(now, _now(histories, rng))
            sweep_and_compare(histories, now, report)
    now = max(now, _now(histories, rng) + dt.timedelta(days=400))
    computed = sweep_and_compare(histories, now, report)
    for _ in range(PAUSES):
        compare_evaluation([(each, rng.choice(each.record.steps())) for each in computed], report)


def sweep_and_compare(histories: list[History], now: dt.datetime, report: Report) -> list[Computed]:
    swept = sweep(now=now)
    assert not swept.failed, swept.failed
    computed = [Computed(read_record(history.site_id)) for history in histories]
    for each in computed:
        compare_sweep(each, now, report)
        compare_proofs(each.record, now, report)
        compare_outcomes(each.anchored, report)
    return computed


def _now(histories: list[History], rng: random.Random) -> dt.datetime:
    """After the last change, or before some that are dated in the future by then."""
    days = sorted(day for history in histories for day in history.days)
    day = days[-1] + dt.timedelta(days=1) if rng.random() < 0.6 else rng.choice(days[len(days) // 3 :])
    return dt.datetime.combine(day, dt.time(12), dt.UTC)
