"""Network speakers that are heard in a zone."""

from __future__ import annotations

import datetime as dt

from sites.models import DeviceModel
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import delete, etag_of, get, post
from tests.halls import Hall

LATER = factories.BUILT_ON + dt.timedelta(days=100)


def test_a_speaker_is_heard_from_a_day_to_a_day(hall: Hall, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    speaker = factories.make_gateway(
        hall.closet, factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    why = {"reason": "new speaker", "happened_on": factories.BUILT_ON.isoformat()}
    body = {"zone_id": hall.zone.pk, "endpoint_id": speaker.pk, "change": why}
    made = post(client, "zone-endpoints", body).json()
    assert (made["site_id"], made["began_on"]) == (hall.site.pk, factories.BUILT_ON.isoformat())
    load = get(client, f"zones/{hall.zone.pk}/load")["items"]
    assert {"kind": "endpoint", "id": speaker.pk, "name": "endpoint NS 1"} in [one["subject"] for one in load]

    again = client.post("/api/v1/zone-endpoints", body, content_type="application/json")
    assert again.status_code == 409

    address = f"zone-endpoints/{made['id']}"
    why = {"reason": "taken down", "happened_on": LATER.isoformat()}
    delete(client, address, {"change": why}, etag_of(client, address))
    heard = [item["id"] for item in get(client, "zone-endpoints", zone_id=hall.zone.pk)["items"]]
    assert heard == []
    before = get(client, "zone-endpoints", zone_id=hall.zone.pk, as_of=factories.BUILT_ON.isoformat())
    assert [item["id"] for item in before["items"]] == [made["id"]]
    shown = get(client, address, expand="zone,endpoint")
    assert (shown["zone"]["name"], shown["endpoint"]["name"]) == ("Ticket hall", "NS 1")
