"""The page of a run: where along this cable? Figures by hand, from the hall of two runs."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.test import Client

from api.pages.days import written
from api.pages.zones.run_trends import MOST_DRAWN
from sites.models import Basis
from sites.models.access import User
from tests import factories
from tests.api.pages.reading import html_in
from tests.halls import Hall
from zones.models import PointFacts, Run, Test
from zones.recheck.batch import check
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_alter, point_append
from zones.services.runs import run_alter
from zones.services.tests import record_test

MOST_QUERIES = 20


@pytest.fixture
def page(dispatcher: User, client: Client) -> Any:
    client.force_login(dispatcher)

    def look(run: Run, query: str = "") -> str:
        answer = client.get(f"/runs/{run.pk}{query}")
        assert answer.status_code == 200, answer.content[:2000]
        return html_in(answer)

    return look


def words(html: str, section: str = "") -> str:
    """What a section says, without its drawing."""
    if section:
        found = re.search(rf'<section aria-labelledby="{section}">(.*?)</section>', html, re.DOTALL)
        assert found, section
        html = found[1]
    html = re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def test_it_says_what_feeds_the_run(hall: Hall, page: Any) -> None:
    run_alter(factories.change(hall.site), run=hall.run, fuse_fitted=True, fuse_rating_a=2.0)
    html = page(hall.run)
    feeds = words(html, "feeds")
    for said in (
        "Zone Ticket hall", f"Block {hall.block.name}", "Output 1 of GW 1", "Supply at the block PS 1",
        "Fuse 2.00 A",
    ):  # fmt: skip
        assert said in feeds
    assert "Amplifier" not in feeds
    assert "Fuse not recorded whether one is fitted" in words(page(hall.gangway_run), "feeds")


def test_life_safety_comes_before_everything_else(hall: Hall, page: Any) -> None:
    text = words(page(hall.run))
    assert text.index("Life safety not recorded: Ticket hall") < text.index("What feeds it")


def test_every_point_stands_in_both_tables(hall: Hall, page: Any) -> None:
    html = page(hall.run)
    # 0.04 A, measured: ± 5 %; the segment: 1 m on three pairs
    row = re.search(r"<tr><th scope=\"row\">30<br>.*?</tr>", html, re.DOTALL)
    assert row is not None
    said = words(row[0])
    assert "1 m, measured 0.040 A (0.038 A to 0.042 A) (1)" in said
    assert "(1) Measured, from its model." in words(html)
    # 30 segments of 1 m, measured: ± 2 %
    judged = re.search(r'<tr class="judged">.*?</tr>', html, re.DOTALL)
    assert judged is not None
    assert words(judged[0]).startswith("30 30 m (29.4 m to 30.6 m)")
    assert words(judged[0]).endswith("18.0 V")
    assert html.count('<svg class="drawing tree"') == html.count('<svg class="drawing voltage"') == 1


def test_cable_pairs_and_the_point_before_are_named_where_they_change(hall: Hall, page: Any) -> None:
    cable_type = hall.points[0].facts.get().cable_type
    assert cable_type is not None
    point_append(
        factories.change(hall.site), run=hall.run, after=hall.points[9], model=hall.speaker, name="spur",
        length_m=5.0, length_basis=Basis.MARKED, dc_pairs=1, cable_type=cable_type,
    )  # fmt: skip
    cable = words(page(hall.run), "cable")
    name = cable_type.name
    assert cable.count(f"1 m, measured, {name}, 3 pairs") == 1
    assert f"5 m, marked, {name}, 1 pair, from 10" in cable
    assert cable.count(", from ") - cable.count("from its model") == 1


def test_what_many_points_have_in_common_is_said_once(hall: Hall, page: Any) -> None:
    run = factories.make_run(hall.block, supply=hall.supply)
    factories.make_points(run, 3, hall.speaker, current_basis=Basis.MARKED)
    cable = words(page(run), "cable")
    assert cable.count("(1)") == 4  # of each point, and of what it stands for
    assert cable.count("alf of the full output that its model states: common practice.") == 1


def test_what_is_not_recorded_is_said(hall: Hall, page: Any) -> None:
    change = factories.change(hall.site)
    point_append(change, run=hall.run, after=hall.points[-1], name="spur")
    html = page(hall.run)
    cable = words(html, "cable")
    assert "? (4–15 m), not recorded: taken as usual, cable not recorded, pairs not recorded" in cable
    assert "model not recorded" in cable
    assert "spur not recorded" in words(html, "voltage")


def test_a_run_without_a_voltage_has_no_curve_and_says_why(hall: Hall, page: Any) -> None:
    run = factories.make_run(hall.block, zone=hall.zone)
    factories.make_points(run, 2, hall.speaker)
    html = page(run)
    assert "drawing voltage" not in html
    assert words(html, "voltage").endswith("No supply is recorded for this run.")


def test_a_line_shows_its_taps_and_no_curve(hall: Hall, page: Any) -> None:
    amplifier = factories.make_amplifier(hall.closet, name="AMP 1")
    run = factories.make_run(hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=hall.zone, amplifier=amplifier)
    factories.make_points(run, 2, hall.speaker, tap_power_w=5.0, tap_basis=Basis.MEASURED)
    html = page(run)
    assert "Amplifier AMP 1" in words(html, "feeds")
    assert "5 W (4.8 W to 5.2 W), measured" in words(html, "cable")
    assert "Only self-amplified runs have a voltage profile" in words(html, "voltage")


def test_a_run_without_points_says_so(hall: Hall, page: Any) -> None:
    html = page(factories.make_run(hall.block))
    assert "No point of this run is recorded." in words(html, "cable")
    assert "Voltage along" not in html


def test_feeds_along_the_run_and_groups_are_named(hall: Hall, page: Any) -> None:
    other = factories.make_supply(hall.closet, name="PS 2")
    change = factories.change(hall.site)
    point_alter(change, point=hall.points[20], negative_cut=True)
    point_alter(change, point=hall.points[29], feed_supply=other)
    point_append(
        change, run=hall.run, after=hall.points[-1], kind=PointFacts.Kind.UNCOUNTED_GROUP, name="rest",
        count_low=4, count_likely=6, count_high=9, model=hall.speaker,
    )  # fmt: skip
    html = page(hall.run)
    assert "Supply at 30 PS 2" in words(html, "feeds")
    assert "fed here by supply PS 2" in words(html, "cable")
    assert f"about 6, 4–9 × {hall.speaker.name}" in words(html, "cable")


def test_how_it_is_isolated(hall: Hall, page: Any) -> None:
    landing_add(
        factories.change(hall.site), block=hall.block, row=5, pair=2, carries=PairUse.DC, run=hall.run
    )
    said = words(page(hall.run), "isolation")
    assert f"Pull clips 5 and 6 on {hall.block.name}." in said
    assert "Silent while supply PS 1 is off: zone Gangway" in said
    assert "never take a measurement for isolation" in said


def test_the_readings_of_the_run_until_the_day(hall: Hall, page: Any) -> None:
    read_on = dt.date(2025, 2, 3)
    record_test(
        factories.change(hall.site, happened_on=read_on), run=hall.run, point=hall.points[-1],
        kind=Test.Kind.END_VOLTAGE, state=Test.State.PAGING, value=21.3, taken_on=read_on,
        technician="T. Wilk",
    )  # fmt: skip
    said = words(page(hall.run), "tests")
    record_test(
        factories.change(hall.site, happened_on=read_on), run=hall.run, kind=Test.Kind.CONTINUITY,
        passed=False, taken_as=Test.TakenAs.AS_FOUND, taken_on=read_on, instrument="tester 4",
        calibration_due_on=dt.date(2025, 1, 2),
    )  # fmt: skip
    said = words(page(hall.run), "tests")
    assert "21.3 V DC voltage at a point, 30, paging, speech, outside what is expected by 1.3 V: " in said
    assert "3 Feb 2025, T. Wilk" in said
    assert "Failed Continuity, as found 3 Feb 2025, tester 4 (calibration lapsed on 2 Jan 2025)" in said, said
    assert "No test of this run" in words(page(hall.run, "?on=2025-02-02"), "tests")


def test_what_one_person_passed_on_one_day_is_one_line(hall: Hall, page: Any) -> None:
    for day, kinds in ((1, (Test.Kind.SHORTS, Test.Kind.CONTINUITY)), (2, (Test.Kind.POLARITY,))):
        for kind in kinds:
            on = dt.date(2025, 2, day)
            change = factories.change(hall.site, happened_on=on)
            record_test(change, run=hall.run, kind=kind, passed=True, taken_on=on, technician="T. Wilk")
    said = words(page(hall.run), "tests")
    assert "Passed Polarity 2 Feb 2025, T. Wilk Passed Continuity, shorts 1 Feb 2025, T. Wilk" in said


def test_what_a_test_should_have_read_and_which_are_left_to_take(hall: Hall, page: Any) -> None:
    """Thirty speakers of 40 mA, measured: 1.2 A ± 5 %. 1.50 A, give or take 0.03 A, is 0.21 A outside."""
    assert "To be tested: continuity, shorts, polarity and tone trace." in words(page(hall.run), "tests")
    change = factories.change(hall.site)
    tested: dict[str, Any] = {"run": hall.run, "taken_on": factories.BUILT_ON}
    record_test(
        change,
        kind=Test.Kind.RUN_CURRENT,
        state=Test.State.PAGING,
        value=1.5,
        instrument_error=0.02,
        **tested,
    )
    for kind in factories.PROVING:
        record_test(change, kind=kind, passed=True, **tested)
    said = words(page(hall.run), "tests")
    judged = "outside what is expected by 0.21 A: 1.14 A to 1.26 A, give or take 0.03 A"
    assert f"1.50 A Run current at the block, paging, speech, {judged}" in said
    assert "Proven: all four tests passed since its wiring last changed." in said
    later = factories.BUILT_ON + dt.timedelta(days=300)
    factories.make_points(hall.run, 1, hall.speaker, happened_on=later)
    said = words(page(hall.run), "tests")
    assert "Continuity: repeat it." in said
    assert f"since then: A point was added on {written(later)}" in said


def test_it_shows_the_day_that_is_asked_for(hall: Hall, page: Any) -> None:
    factories.make_points(hall.run, 2, hall.speaker, happened_on=factories.BUILT_ON.replace(year=2025))
    assert "32 points." in words(page(hall.run))
    before = page(hall.run, f"?on={factories.BUILT_ON}")
    assert "30 points." in words(before)
    assert f"/runs/{hall.run.pk}" in before


def test_it_takes_as_many_queries_for_a_long_run_as_for_a_short_one(
    hall: Hall, page: Any, django_assert_max_num_queries: Any
) -> None:
    check([hall.site.pk])
    page(hall.gangway_run)
    page(hall.run)
    page(hall.gangway_run)  # it was opened last now
    with django_assert_max_num_queries(MOST_QUERIES) as short:
        page(hall.gangway_run)
    most = len(short)
    page(hall.run)
    with django_assert_max_num_queries(most):
        page(hall.run)


def test_a_long_run_is_shown_in_parts_that_are_small_enough(hall: Hall, page: Any) -> None:
    """30 points are there; with 370 more they are 400: four parts."""
    factories.make_points(hall.run, 370, hall.speaker, place="Platform 4, north end")
    names = []
    for first in (1, 101, 201, 301):
        html = page(hall.run, f"?points_from={first}")
        assert len(html.encode()) < 100_000
        assert f"<b>Points {first} to {first + 99}</b>" in html
        assert html.count('href="?points_from=') == 3  # beside the page's own, in print
        names += re.findall(r'<th scope="row">(\d+), Platform', html)
    assert names == [str(number) for number in range(31, 401)]
    # Drawn from where the part before ends, and not from the block
    last = page(hall.run, "?points_from=301")
    assert ">after 300<" in last
    assert f">block {hall.block.name}<" not in last
    assert "400 points." in words(last)


def test_a_short_run_is_in_one_part(hall: Hall, page: Any) -> None:
    assert "points_from" not in page(hall.run)


def record(hall: Hall, day: dt.date, kind: Test.Kind, value: float, **more: Any) -> None:
    more = {"state": Test.State.PAGING, "instrument_error": 0.02, **more}
    record_test(
        factories.change(hall.site, happened_on=day),
        run=hall.run,
        kind=kind,
        value=value,
        taken_on=day,
        **more,
    )


def test_what_was_read_over_the_years_is_drawn_beside_what_was_expected_that_day(
    hall: Hall, page: Any
) -> None:
    """Thirty speakers of 40 mA, measured: 1.2 A ± 5 %, so 1.14 A to 1.26 A. The instrument may be off by
    2 %: 1.21 A, give or take 0.024 A, lies within; 1.50 A, give or take 0.03 A, lies 0.21 A outside."""
    record(hall, dt.date(2024, 3, 4), Test.Kind.RUN_CURRENT, 1.21, taken_as=Test.TakenAs.AS_LEFT)
    record(hall, dt.date(2025, 2, 3), Test.Kind.RUN_CURRENT, 1.5)
    html = page(hall.run)
    said = words(html, "trends")
    assert "Run current at the block, paging, speech" in said
    assert (
        "Read 2 times since 4 Mar 2024. The last, on 3 Feb 2025: 1.50 A, outside what is expected by 0.21 A: "
        "1.14 A to 1.26 A, give or take 0.03 A." in said
    )
    assert (
        "4 Mar 2024 as left 1.21 A as expected 1.20 A (1.14 A to 1.26 A) "
        "3 Feb 2025 1.50 A outside what is expected by 0.21 A 1.20 A (1.14 A to 1.26 A)"
    ) in said
    assert "Error of the instrument: 0.02 A to 0.03 A." in said
    assert "<b>outside what is expected by 0.21 A</b>" in html
    assert "<b>as expected" not in html
    assert html.count('<svg class="drawing trend"') == 1
    assert "<title>Run current at the block, paging, speech: outside what is expected</title>" in html


def test_how_it_moves_over_the_years_is_said_as_the_api_says_it(
    hall: Hall, page: Any, client: Client
) -> None:
    for year, value in ((2024, 1.2), (2025, 1.26), (2026, 1.38)):
        record(hall, dt.date(year, 3, 4), Test.Kind.RUN_CURRENT, value)
    said = words(page(hall.run), "trends")
    assert (
        "It rises by 0.090 A a year, give or take 0.026 A: 3 readings from 4 Mar 2024 to 4 Mar 2026," in said
    )
    assert "Cannot tell whether it changes: 2 readings" in words(page(hall.run, "?on=2026-03-03"), "trends")


def test_a_run_of_which_nothing_was_read_twice_in_one_state_has_no_trend(hall: Hall, page: Any) -> None:
    day = dt.date(2024, 3, 4)
    record(hall, day, Test.Kind.RUN_CURRENT, 1.21)
    record(hall, day, Test.Kind.RUN_CURRENT, 0.4, state=Test.State.IDLE)
    for kind in (Test.Kind.CONTINUITY, Test.Kind.CONTINUITY):
        record_test(factories.change(hall.site), run=hall.run, kind=kind, passed=True, taken_on=day)
    html = page(hall.run)
    assert "Read over the years" not in html
    assert "drawing trend" not in html


def test_a_trend_ends_with_the_day_that_is_asked_for(hall: Hall, page: Any) -> None:
    for year in (2024, 2025, 2026):
        record(hall, dt.date(year, 3, 4), Test.Kind.RUN_CURRENT, 1.21)
    assert "Read 2 times since 4 Mar 2024. The last, on 4 Mar 2025:" in words(
        page(hall.run, "?on=2026-03-03"), "trends"
    )
    assert "Read over the years" not in page(hall.run, "?on=2025-03-03")


def test_of_a_long_trend_the_earlier_readings_are_on_the_page_of_an_earlier_day(
    hall: Hall, page: Any
) -> None:
    """One more than is drawn: the first is left out, and the page of the day before the second has it."""
    first = dt.date(2024, 3, 4)
    for number in range(MOST_DRAWN + 1):
        record(hall, first + dt.timedelta(days=30 * number), Test.Kind.RUN_CURRENT, 1.21)
    html = page(hall.run)
    trends = re.search(r'<section aria-labelledby="trends">(.*?)</section>', html, re.DOTALL)
    assert trends is not None
    assert trends[1].count('<tr><th scope="row">') == MOST_DRAWN
    assert f"Read {MOST_DRAWN + 1} times since 4 Mar 2024." in words(html, "trends")
    # 30 days after 4 March is 3 April
    assert f'<a href="/runs/{hall.run.pk}?on=2024-04-02#trends">1 earlier reading</a>' in html


def test_points_are_named_and_those_beyond_the_most_are_counted(hall: Hall, page: Any) -> None:
    """Seven points that were read twice: six are drawn, from the far end on."""
    for point in hall.points[-7:]:
        for day in (dt.date(2024, 3, 4), dt.date(2025, 3, 4)):
            record(hall, day, Test.Kind.END_VOLTAGE, 23.0, point=point)
    html = page(hall.run)
    found = re.findall(r"<h3 id=\"read-\d-is\">DC voltage at a point, (\d+), paging, speech</h3>", html)
    assert found == ["30", "29", "28", "27", "26", "25"]
    assert "1 more was read twice or more" in words(html, "trends")
    assert len(html.encode()) < 100_000


def test_a_failed_insulation_test_is_followed_without_anything_expected(hall: Hall, page: Any) -> None:
    for day, value in ((dt.date(2024, 3, 4), 5e8), (dt.date(2025, 3, 4), 2e5)):
        record(
            hall, day, Test.Kind.INSULATION, value, state=None, electronics_disconnected=True,
            instrument_error=None,
        )  # fmt: skip
    html = page(hall.run)
    said = words(html, "trends")
    assert "200000 Ω failed none" in said
    assert "<title>Insulation resistance: failed</title>" in html
    assert "400 MΩ</text>" in html
