"""The page of a networked device: how it is reached and powered, and what it drives."""

from __future__ import annotations

import datetime as dt

from django.test import Client

from api.pages.days import in_sentence
from sites.models import Basis, DeviceModel, Site, Switch, SwitchPortFacts
from sites.services.endpoints import endpoint_alter, output_add
from sites.services.sites import site_alter
from sites.services.switches import port_alter, switch_alter
from tests import factories
from tests.api.pages.reading import MOST_BYTES, facts_of, html_of, queries_of, text_of
from tests.halls import Hall
from zones.recheck.batch import check
from zones.services.zones import zone_endpoint_add


def test_an_endpoint_says_how_it_is_reached_and_what_nobody_recorded(hall: Hall, client: Client) -> None:
    endpoint_alter(
        factories.change(hall.site),
        endpoint=hall.gateway,
        mac="00:1B:44:11:3A:B7",
        address="10.1.0.5",
        vlan=40,
        multicast_group="239.1.2.3",
        page_code="714",
        warranty_end=dt.date(2027, 6, 30),
        cable_length_m=42.0,
        cable_length_basis=Basis.MARKED,
    )
    facts = facts_of(html_of(client, f"endpoints/{hall.gateway.pk}"))
    assert {
        "MAC": "00:1b:44:11:3a:b7",
        "Address": "10.1.0.5",
        "VLAN": "40",
        "Multicast group": "239.1.2.3",
        "Page code": "714",
        "End of warranty": "30 Jun 2027",
        "Length of its data cable": "42 m, marked",
        "Serial": "not recorded",
        "Firmware": "not recorded",
        "Configuration backup": "not recorded",
        "PoE class": "2",
    }.items() <= facts.items()


def test_the_cable_of_an_endpoint_is_in_the_unit_of_its_site(hall: Hall, client: Client) -> None:
    """100 ft are 30.48 m."""
    site_alter(factories.change(hall.site), length_unit=Site.LengthUnit.FOOT)
    endpoint_alter(
        factories.change(hall.site),
        endpoint=hall.gateway,
        cable_length_m=30.48,
        cable_length_basis=Basis.MEASURED,
    )
    facts = facts_of(html_of(client, f"endpoints/{hall.gateway.pk}"))
    assert facts["Length of its data cable"] == "100 ft, measured"


def test_an_endpoint_names_the_runs_on_its_outputs_and_the_port_that_powers_it(
    hall: Hall, client: Client
) -> None:
    switch_alter(factories.change(hall.site), switch=hall.switch, owner=Switch.Owner.CUSTOMER)
    port_alter(
        factories.change(hall.site),
        port=hall.switch.ports.get(number=3),
        priority=SwitchPortFacts.Priority.CRITICAL,
    )
    html = html_of(client, f"endpoints/{hall.gateway.pk}")
    text = text_of(html)
    assert "R1 output 1, terminal not recorded; zone Ticket hall" in text
    assert "R2 output 2, terminal not recorded; zone Gangway" in text
    assert "SW 1 port 3, priority critical. Owner: customer. Do not touch." in text


def test_what_is_past_on_an_output_is_said_on_the_page_of_its_device(hall: Hall, client: Client) -> None:
    """A model whose outputs may feed 20 speakers, and 30 on the first."""
    few = factories.make_model(DeviceModel.Kind.GATEWAY, output_speakers_max=20)
    endpoint_alter(factories.change(hall.site), endpoint=hall.gateway, model=few)
    check([hall.site.pk])
    html = html_of(client, f"endpoints/{hall.gateway.pk}")
    assert '<h1>Endpoint GW 1 <span class="verdict past">Past</span></h1>' in html
    finding = client.get(f"/api/v1/findings?site_id={hall.site.pk}&code=output_speakers").json()["items"][0]
    text = text_of(html)
    assert finding["subject"]["name"] == "output 1 of GW 1"
    assert finding["sentence"] in text
    assert in_sentence(finding["attribution"]["sentence"]) in text


def test_a_network_speaker_names_the_zones_in_which_it_is_heard(hall: Hall, client: Client) -> None:
    model = factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER)
    speaker = factories.make_gateway(hall.closet, model, name="NS 1")
    zone_endpoint_add(factories.change(hall.site), zone=hall.gangway, endpoint=speaker)
    text = text_of(html_of(client, f"endpoints/{speaker.pk}"))
    assert "Zones in which it is heard without a run Gangway" in text
    assert "No output is recorded." in text
    assert "What powers it Not recorded." in text


def test_an_endpoint_with_many_outputs_costs_no_more_queries(hall: Hall, client: Client) -> None:
    check([hall.site.pk])
    path = f"endpoints/{hall.gateway.pk}"
    html_of(client, path)  # it is noted as opened last
    few, _ = queries_of(client, path)
    for number in range(3, 23):
        output = output_add(factories.change(hall.site), endpoint=hall.gateway, number=number).result
        factories.make_run(hall.block, zone=hall.zone, name=f"S{number}", output=output)
    check([hall.site.pk])
    many, html = queries_of(client, path)
    assert text_of(html).count("terminal not recorded; zone Ticket hall") == 21
    assert many == few <= 32
    assert len(html) <= MOST_BYTES
