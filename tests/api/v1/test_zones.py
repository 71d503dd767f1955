"""Zones over REST: listed and looked up, with what they carry and how it came about."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from api.v1.zone_states import ZoneFigureSerializer, ZoneFindingSerializer
from sites.changes.services import today_at
from sites.models import Basis, DeviceModel
from sites.models.access import User
from sites.services.power import supply_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import delete, etag_of, get, patch, post
from tests.halls import Hall, lose_facts
from zones.limits.registry import limit_by_code
from zones.models import Zone
from zones.recheck.batch import check
from zones.services.landings import PairUse, landing_add
from zones.services.zones import zone_alter

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)
WHY = {"reason": "as agreed", "happened_on": LATER.isoformat()}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def add_speakers(hall: Hall, count: int, day: dt.date = LATER) -> None:
    factories.make_points(
        hall.run, count, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=day
    )


# --- listed -------------------------------------------------------------------------------------------------


def test_a_zone_is_found_by_site_and_name(hall: Hall, client: Client) -> None:
    (found,) = get(client, "zones", site_id=hall.site.pk, name="ticket HALL")["items"]
    assert (found["id"], found["name"], found["life_safety"]) == (hall.zone.pk, "Ticket hall", "unknown")
    assert found["began_on"] == BUILT.isoformat()
    assert get(client, "zones", site_id=hall.site.pk, name="nowhere")["items"] == []


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ({"page_code": "71"}, ["Ticket hall"]),
        ({"group": "all calls"}, ["Gangway", "Ticket hall"]),
        ({"group": "all"}, []),
        ({"life_safety": "yes"}, ["Ticket hall"]),
        ({"life_safety": "no"}, []),
    ],
)
def test_filters(hall: Hall, client: Client, query: dict[str, str], names: list[str]) -> None:
    change = factories.change(hall.site)
    zone_alter(
        change, zone=hall.zone, page_code="71", groups=["all calls", "halls"], life_safety=Zone.LifeSafety.YES
    )
    zone_alter(change, zone=hall.gangway, groups=["all calls"])
    assert [item["name"] for item in get(client, "zones", **query)["items"]] == names


def test_a_zone_is_there_from_its_first_day_to_its_last(hall: Hall, client: Client) -> None:
    made = post(
        client, "zones", {"site_id": hall.site.pk, "name": "Quay", "change": {**WHY, "reason": "new quay"}}
    ).json()
    assert made["began_on"] == LATER.isoformat()
    ended = LATER + dt.timedelta(days=30)
    why = {"reason": "quay closed", "happened_on": ended.isoformat()}
    delete(client, f"zones/{made['id']}", {"change": why}, etag_of(client, f"zones/{made['id']}"))
    address = f"zones/{made['id']}"
    assert get(client, address)["ended_on"] == ended.isoformat()
    assert get(client, address, as_of=LATER.isoformat())["name"] == "Quay"
    for day, stated in ((BUILT, f"it began on {LATER}"), (ended, f"it ended on {ended}")):
        answer = client.get(f"/api/v1/{address}", {"as_of": day.isoformat()})
        assert answer.status_code == 404
        assert stated in answer.json()["detail"]

    def listed(**query: str) -> list[str]:
        return [item["name"] for item in get(client, "zones", site_id=hall.site.pk, **query)["items"]]

    assert listed() == ["Gangway", "Ticket hall"]
    assert listed(as_of=LATER.isoformat()) == ["Gangway", "Quay", "Ticket hall"]
    assert listed(as_of=BUILT.isoformat()) == ["Gangway", "Ticket hall"]
    assert listed(ended="yes") == ["Quay"]
    assert listed(ended="any") == ["Gangway", "Quay", "Ticket hall"]
    assert listed(ended="yes", as_of=LATER.isoformat()) == []


def test_a_zone_that_is_still_fed_is_not_given_up(hall: Hall, client: Client) -> None:
    address = f"/api/v1/zones/{hall.zone.pk}"
    answer = client.delete(
        address,
        {"change": WHY},
        content_type="application/json",
        headers={"If-Match": client.get(address)["ETag"]},
    )
    assert answer.status_code == 409
    assert "run R1" in answer.json()["detail"]


def test_life_safety_is_said(hall: Hall, client: Client) -> None:
    address = f"zones/{hall.zone.pk}"
    answer = patch(client, address, {"life_safety": "yes", "change": WHY}, etag_of(client, address))
    assert answer.json()["life_safety"] == "yes"


def test_the_signal_is_of_a_day_and_is_corrected_apart(hall: Hall, client: Client) -> None:
    """By hand: at speech 30 × 40 mA of the hall and 10 of the gangway, 1.6 A; the gangway with chimes, at
    80 mA, 2.0 A."""
    address = f"zones/{hall.gangway.pk}"
    tag = etag_of(client, address)
    shown = patch(client, address, {"signal": "tones", "change": WHY}, tag).json()
    assert (shown["signal"], shown["unchanged_since"]) == ("tones", LATER.isoformat())
    assert etag_of(client, address) != tag, "facts have versions too"

    def on(day: dt.date) -> tuple[Any, ...]:
        load = get(client, f"{address}/load", as_of=day.isoformat())["items"]
        current = next(item["likely"] for item in load if item["code"] == "supply_current")
        return get(client, address, as_of=day.isoformat())["signal"], current

    before = LATER - dt.timedelta(days=1)
    assert on(before) == ("speech", pytest.approx(1.6))
    assert on(LATER) == ("tones", pytest.approx(2.0))

    def toned(day: dt.date) -> list[str]:
        return [zone["name"] for zone in get(client, "zones", signal="tones", as_of=day.isoformat())["items"]]

    assert (toned(before), toned(LATER)) == ([], ["Gangway"])
    (line,) = get(client, f"{address}/history", code="supply_current")["items"]
    assert [entry["likely"] for entry in line["entries"]] == pytest.approx([1.6, 2.0])
    assert line["entries"][1]["what"] == "signal of zone Gangway changed from speech to tones"

    body = {"signal": "unknown", "held_on": BUILT.isoformat(), "change": {"reason": "nobody asked"}}
    post(client, f"{address}/correct", body, status=200, etag=etag_of(client, address))
    assert (on(before)[0], on(LATER)[0]) == ("unknown", "tones")


def test_a_signal_that_there_is_none_of_is_refused(hall: Hall, client: Client) -> None:
    address = f"/api/v1/zones/{hall.zone.pk}"
    answer = client.patch(
        address,
        {"signal": "bells", "change": WHY},
        content_type="application/json",
        headers={"If-Match": client.get(address)["ETag"]},
    )
    assert answer.status_code == 400
    assert "speech, tones, unknown" in str(answer.json())
    assert get(client, f"zones/{hall.zone.pk}")["signal"] == "speech"


# --- load ---------------------------------------------------------------------------------------------------


def test_the_load_of_a_zone(hall: Hall, client: Client) -> None:
    load = get(client, f"zones/{hall.zone.pk}/load", as_of=BUILT.isoformat())
    assert (load["zone"], load["as_of"], load["verdict"]) == ("Ticket hall", BUILT.isoformat(), "cannot_tell")
    first = load["items"][0]
    assert first == {**load["tightest"], "finding_id": None}
    # by hand: 40 speakers at half of 80 mA, measured ± 5 %, on 0.8 of 2 A
    assert [first[name] for name in ("low", "likely", "high", "limit")] == pytest.approx(
        [1.52, 1.6, 1.68, 1.6]
    )
    assert (first["headroom_likely"], first["headroom_worst"]) == pytest.approx((0.0, -0.05), abs=1e-8)
    assert first["subject"] == {"kind": "supply", "id": hall.supply.pk, "name": "supply PS 1"}
    assert first["share_measured_or_marked"] == 1.0
    assert first["sentence"] == (
        "Supply PS 1 delivers 1.60 A (1.52 A to 1.68 A) during a page; limit 1.60 A."
    )
    limit = limit_by_code("supply_current")
    assert (first["title"], first["source"], first["limit_from"]) == (
        limit.title,
        limit.source,
        limit.limit_from,
    )
    voltage = next(item for item in load["items"] if item["code"] == "run_voltage")
    assert voltage["limit_is"] == "at_least"
    assert voltage["place"] == {"kind": "point", "id": hall.points[-1].pk, "name": "30"}
    assert load["not_computed"] == []


def test_the_load_says_aloud_what_it_comes_to(hall: Hall, client: Client) -> None:
    address = f"zones/{hall.zone.pk}/load"
    assert get(client, address, as_of=BUILT.isoformat())["summary"].startswith(
        "Cannot tell: Supply PS 1 delivers 1.60 A"
    )
    add_speakers(hall, 12)
    assert get(client, address)["summary"].startswith("Past: Supply PS 1 delivers 2.08 A")
    bare = factories.make_zone(hall.site, name="Roof")
    empty = get(client, f"zones/{bare.pk}/load")
    assert empty["summary"] == ("No run and no speaker of this zone is recorded, so its load is not known.")
    assert (empty["items"], empty["tightest"], empty["verdict"]) == ([], None, "within")


def test_a_zone_in_order_tells_its_tightest_limit(hall: Hall, client: Client) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0, class_2_marked=True)
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    load = get(client, f"zones/{hall.zone.pk}/load")
    assert load["verdict"] == "within", load["summary"]
    assert load["summary"].startswith(f"Within all {len(load['items'])} limits; tightest: ")
    assert load["tightest"]["title"].lower() in load["summary"].lower()


def test_how_many_more_are_as_bad_is_said(hall: Hall, client: Client) -> None:
    factories.make_points(
        hall.run, 12, hall.speaker, length_m=30.0, current_basis=Basis.MEASURED, happened_on=LATER, dc_pairs=1
    )
    summary = get(client, f"zones/{hall.zone.pk}/load")["summary"]
    assert summary.endswith("more figures are past."), summary


def test_advice_is_called_so(hall: Hall, client: Client) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0, class_2_marked=True)
    supply_alter(factories.change(hall.site), supply=hall.supply, model=larger)
    for row, carries in ((1, PairUse.AUDIO), (5, PairUse.DC)):
        landing_add(
            factories.change(hall.site), block=hall.block, row=row, pair=row, carries=carries, run=hall.run
        )
    summary = get(client, f"zones/{hall.zone.pk}/load")["summary"]
    assert summary.startswith(f"Advice: Block {hall.block.name} carries audio and DC"), summary


def test_what_cannot_be_computed_is_said(hall: Hall, client: Client) -> None:
    lose_facts(hall.points[5])
    load = get(client, f"zones/{hall.zone.pk}/load")
    (amiss,) = load["not_computed"]
    assert amiss["subject"]["name"] == "run R1"
    assert load["summary"].startswith("Run R1 cannot be computed: the point before one of its points is not")
    assert load["verdict"] in ("cannot_tell", "probably_past", "past")


def test_cautions_of_a_load(hall: Hall, client: Client) -> None:
    def codes() -> list[str]:
        load = get(client, f"zones/{hall.zone.pk}/load")
        return [caution["code"] for caution in load["cautions"]]

    assert codes() == ["life_safety", "disconnect", "wiring_classes", "local_code"]
    zone_alter(factories.change(hall.site), zone=hall.zone, life_safety=Zone.LifeSafety.NO)
    assert "life_safety" not in codes()


def test_the_load_is_explained_where_asked(hall: Hall, client: Client) -> None:
    address = f"zones/{hall.zone.pk}/load"
    assert "calculation" not in get(client, address)["items"][0]
    explained = get(client, address, explain="true", as_of=BUILT.isoformat())
    assert all(item["calculation"]["formula"] for item in explained["items"])
    supply = explained["items"][0]["calculation"]
    assert supply["steps"][-1]["text"] == "Limit: 2 A × 0.8 = 1.6 A."
    (table,) = supply["tables"]
    assert len(table["rows"]) == 40
    assert set(table["rows"][0]) == {column["key"] for column in table["columns"]}


@pytest.mark.parametrize("what", ["load", "history"])
def test_before_it_stood_there_was_no_load(hall: Hall, client: Client, what: str) -> None:
    day = BUILT - dt.timedelta(days=1)
    answer = client.get(f"/api/v1/zones/{hall.zone.pk}/{what}", {"as_of": day.isoformat()})
    assert answer.status_code == 404
    assert "it began on" in answer.json()["detail"]


# --- history ------------------------------------------------------------------------------------------------


def _numbers(shown: Any) -> list[float]:
    """Every fraction in an answer, however deep."""
    if isinstance(shown, dict | list):
        return [
            one for part in (shown.values() if isinstance(shown, dict) else shown) for one in _numbers(part)
        ]
    return [shown] if isinstance(shown, float) else []


def test_the_history_of_a_figure(hall: Hall, client: Client) -> None:
    for _ in range(12):
        add_speakers(hall, 1)
    history = get(client, f"zones/{hall.zone.pk}/history", code="supply_current")
    (line,) = history["items"]
    assert line["baseline"]["likely"] == pytest.approx(1.6)
    assert line["baseline"] == line["entries"][0]
    assert [float(f"{one:.9g}") for one in _numbers(line)] == _numbers(line)  # no last bits of a sum
    likely = [entry["likely"] for entry in line["entries"]]
    # each speaker was a change set of its own; by hand 40 mA each
    assert likely == pytest.approx([1.6 + 0.04 * count for count in range(13)])
    (crossing,) = line["crossings"]
    assert (crossing["day"], crossing["past"]) == (LATER.isoformat(), True)
    assert crossing["sentence"].startswith("1 wall speaker added on")
    attribution = line["attribution"]
    assert attribution["cause"] == "addition"
    assert attribution["between"]["since"]["day"] == BUILT.isoformat()
    assert set(attribution["change_set_ids"]) >= {crossing["change_set_id"]}


def test_the_history_of_all_figures_and_of_some(hall: Hall, client: Client) -> None:
    everything = get(client, f"zones/{hall.zone.pk}/history")["items"]
    load = get(client, f"zones/{hall.zone.pk}/load")["items"]
    assert [(line["code"], line["subject"]) for line in everything] == [
        (item["code"], item["subject"]) for item in load
    ]
    some = get(client, f"zones/{hall.zone.pk}/history", code="run_voltage,supply_current")["items"]
    assert {line["code"] for line in some} == {"run_voltage", "supply_current"}
    answer = client.get(f"/api/v1/zones/{hall.zone.pk}/history", {"code": "supply_curent"})
    assert answer.status_code == 400
    assert "Did you mean supply_current?" in answer.json()["detail"]


@pytest.mark.parametrize("what", ["load", "history"])
def test_an_outsider_sees_no_load(hall: Hall, outsider: User, with_token: Caller, what: str) -> None:
    client = with_token(outsider)
    ours: Any = client.get(f"/api/v1/zones/{hall.zone.pk}/{what}")
    never: Any = client.get(f"/api/v1/zones/999999999/{what}")
    assert ours.status_code == never.status_code == 404
    assert ours.json()["detail"] == never.json()["detail"]


# --- with figures and findings ------------------------------------------------------------------------------


def test_a_list_shows_what_the_last_recheck_found(hall: Hall, client: Client) -> None:
    add_speakers(hall, 12)
    check([hall.site.pk])
    shown = get(client, "zones", site_id=hall.site.pk, expand="figures,findings")["items"]
    assert [zone["name"] for zone in shown] == ["Gangway", "Ticket hall"]
    for zone in shown:
        load = get(client, f"zones/{zone['id']}/load")["items"]
        names = ZoneFigureSerializer().fields.keys() - {"subject", "as_of"}
        assert sorted(map(_plain, zone["figures"])) == sorted(
            _plain({name: item[name] for name in names} | {"subject": item["subject"]}) for item in load
        )
        assert {day for figure in zone["figures"] for day in [figure["as_of"]]} == {
            today_at(hall.site.pk).isoformat()
        }
        listed = get(client, "findings", zone_id=zone["id"], order="id")["items"]
        assert listed
        assert zone["findings"] == [
            {
                **{name: finding[name] for name in ZoneFindingSerializer().fields},
                "subject": {name: finding["subject"][name] for name in ("kind", "id")},
            }
            for finding in listed
        ]


def _plain(figure: dict[str, Any]) -> list[str]:
    subject = {name: figure["subject"][name] for name in ("kind", "id")}
    known = {name: value for name, value in figure.items() if name not in ("subject", "as_of")}
    return [str(item) for item in sorted({**known, **subject}.items())]


def test_what_stands_beside_a_zone_is_as_described(hall: Hall, client: Client) -> None:
    add_speakers(hall, 12)
    check([hall.site.pk])
    zone = get(client, f"zones/{hall.zone.pk}", expand="figures,findings")
    for described, items in (
        (ZoneFigureSerializer(), zone["figures"]),
        (ZoneFindingSerializer(), zone["findings"]),
    ):
        assert items
        for item in items:
            assert list(item) == list(described.fields)
            assert list(item["subject"]) == ["kind", "id"]
    assert "figures" not in get(client, f"zones/{hall.zone.pk}", expand="findings")


def test_a_zone_that_nothing_feeds_has_no_figures(hall: Hall, client: Client) -> None:
    quay = factories.make_zone(hall.site, name="Quay")
    check([hall.site.pk])
    zone = get(client, f"zones/{quay.pk}", expand="figures,findings")
    assert (zone["figures"], zone["findings"]) == ([], [])


def test_what_is_left_out_beside_a_zone_is_counted(
    hall: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_speakers(hall, 12)
    check([hall.site.pk])
    whole = get(client, f"zones/{hall.zone.pk}", expand="figures,findings")
    assert whole["left_out"] == []
    assert len(whole["findings"]) == 2  # the supply, and the output
    monkeypatch.setattr("api.conventions.sizes.MOST_LISTED", 1)
    zone = get(client, f"zones/{hall.zone.pk}", expand="figures,findings")
    assert (zone["figures"], zone["findings"]) == (whole["figures"][:1], whole["findings"][:1])
    assert zone["left_out"] == [
        {"pointer": "/figures", "count": len(whole["figures"]) - 1},
        {"pointer": "/findings", "count": 1},
    ]
    assert get(client, f"zones/{hall.zone.pk}")["left_out"] == []
