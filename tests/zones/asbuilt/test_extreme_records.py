"""Everything that REST stores is exported, imports into an empty database, and is exported the same from
there."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from api.conventions.writing import WHY, Writing
from api.v1.routes import RESOURCES
from sites.access.abilities import TOKEN_SCOPES
from sites.access.services import token_make
from sites.fields import FIRST_DAY, LAST_DAY
from sites.models import DeviceModel, Site
from sites.models.access import User
from tests.conftest import IN_CI
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import export_folder, import_files

from .extremes import values_for, values_of
from .folders import NOW, content_of

ROOT = "/api/v1"
Draw = Callable[[st.SearchStrategy[Any]], Any]
# The last day on which something happens that is not planned
TODAY = dt.date(2026, 6, 1)
DAYS = st.sampled_from([FIRST_DAY, dt.date(2024, 2, 29), TODAY])


class Recorder:
    """Records things over REST, with all that each takes drawn at random."""

    def __init__(self, client: Client, draw: Draw) -> None:
        self._client, self._draw = client, draw
        self._names = 0
        self.day = draw(DAYS)

    def add(self, resource: str, *but: str, **fixed: Any) -> int:
        """A new thing, with the facts that are drawn but for ``but``, and with what is ``fixed``."""
        body = self._body(resource, "create", *but, **fixed)
        if "name" in body:  # no two are alike
            self._names += 1
            name = self._name(resource)
            body["name"] = f"{self._names}{name.parse(body['name'])}"[: name.max_length]
        answer = self._client.post(f"{ROOT}/{resource}", body, content_type="application/json")
        assert answer.status_code == 201, (resource, body, answer.json())
        made = answer.json()
        return int(made["id"] if "id" in made else made["items"][0]["id"])

    def do(self, resource: str, pk: int, action: str, *but: str, **fixed: Any) -> None:
        """The thing is written again: ``partial_update`` or ``correct``."""
        body = self._body(resource, action, *but, **fixed)
        if len(body) == 1:
            return
        address = f"{ROOT}/{resource}/{pk}"
        headers = {"If-Match": self._client.get(address)["ETag"]}
        send = self._client.patch if action == "partial_update" else self._client.post
        address += "" if action == "partial_update" else f"/{action.replace('_', '-')}"
        answer = send(address, body, content_type="application/json", headers=headers)
        assert answer.status_code in (200, 404), (resource, body, answer.json())

    def _body(self, resource: str, action: str, *but: str, **fixed: Any) -> dict[str, Any]:
        writing = RESOURCES[resource].bodies[action]
        assert isinstance(writing, Writing)
        drawn = self._draw(values_for(writing.operation, "held_on", *but, *fixed))
        for one in writing.parameters.values():
            if one.required and one.fact is not None and action == "create" and one.key not in fixed:
                drawn.setdefault(one.key, self._draw(values_of(one.fact)))
        said = {
            name: self._draw(values_of(WHY[name].fact))  # type: ignore[arg-type]
            for name in ("reason", "job_reference", "done_by")
        }
        planned = self.day > TODAY
        return {
            **drawn,
            **fixed,
            "change": {**said, "happened_on": str(self.day), **({"planned": True} if planned else {})},
        }

    def _name(self, resource: str) -> Any:
        writing = RESOURCES[resource].bodies["create"]
        assert isinstance(writing, Writing)
        return writing.parameters["name"].fact


def record(client: Client, draw: Draw) -> None:
    """A site with one or two of everything, at the edges of what each takes."""
    make = Recorder(client, draw)
    customer = make.add("customers")
    contract = make.add(
        "contracts",
        customer_id=customer,
        cover_hours="working_hours",
        working_days=["monday", "sunday"],
        working_from="00:00",
        working_until="24:00",
    )
    models = {kind: make.add("catalogue/devices", kind=kind.value) for kind in DeviceModel.Kind}
    cable = make.add("catalogue/cables")
    site = make.add("sites", customer_id=customer)
    make.add(
        "coverages",
        contract_id=contract,
        site_id=site,
        first_day=str(FIRST_DAY),
        end_day=draw(st.sampled_from([None, str(LAST_DAY)])),
    )
    closet = make.add("closets", site_id=site)
    make.add("contacts", site_id=site, closet_id=closet)
    switch = make.add("switches", closet_id=closet, model_id=models[DeviceModel.Kind.SWITCH], port_count=2)
    ports = client.get(f"{ROOT}/switch-ports?switch_id={switch}&order=number").json()["items"]
    if ports:
        make.do("switch-ports", ports[-1]["id"], "partial_update")
    make.add(
        "endpoints",
        "outputs",
        site_id=site,
        closet_id=closet,
        model_id=models[DeviceModel.Kind.GATEWAY],
        outputs=["screw", "unknown"],
        cable_type_id=cable,
        cable_length_m=draw(st.sampled_from([0.0, 10_000.0, 1 / 3])),
        cable_length_basis="measured",
    )
    speaker = make.add("endpoints", "outputs", "cable_length_m", "cable_length_basis", site_id=site)
    supply = make.add("supplies", closet_id=closet, model_id=models[DeviceModel.Kind.SUPPLY])
    amplifier = make.add("amplifiers", closet_id=closet, model_id=models[DeviceModel.Kind.AMPLIFIER])
    block = make.add("blocks", closet_id=closet, row_count=50, kind="66_split")
    zones = [make.add("zones", site_id=site) for _ in range(2)]
    make.add("zone-endpoints", zone_id=zones[0], endpoint_id=speaker)
    make.add("paging-sets", zone_ids=zones)
    run = make.add(
        "runs",
        block_id=block,
        kind="self_amplified",
        zone_id=zones[0],
        supply_id=supply,
        fuse_fitted=True,
        fuse_rating_a=draw(st.sampled_from([5e-324, 1.0, 100.0])),
    )
    line = make.add(
        "runs",
        "fuse_fitted",
        "fuse_rating_a",
        block_id=block,
        kind="constant_voltage",
        amplifier_id=amplifier,
    )
    loads = (
        "length_basis",
        "tap_basis",
        "tap_power_w",
        "count_low",
        "count_likely",
        "count_high",
        "device_kind",
    )
    first = make.add(
        "points", *loads, run_id=run, model_id=models[DeviceModel.Kind.HORN], kind="device",
        length_m=draw(st.sampled_from([0.0, 10_000.0, 0.1])), length_basis="drawing", cable_type_id=cable,
    )  # fmt: skip
    bare = ("speech_current_a", "idle_current_a", "length_m", *loads)
    splice = make.add("points", *bare, "current_basis", run_id=run, after_id=first, kind="splice")
    make.add(
        "points", *bare, run_id=run, after_id=splice, kind="uncounted_group",
        count_low=0, count_likely=draw(st.integers(0, 1000)), count_high=1000, feed_supply_id=supply,
        length_m=2.5, length_basis="guessed",
    )  # fmt: skip
    make.add("points", *loads, "length_m", run_id=line, kind="device", tap_power_w=5e-324, tap_basis="marked")
    make.add("landings", "second_row", block_id=block, row=1, run_id=run, pair=25)
    make.add("landings", "second_row", block_id=block, row=3, supply_id=supply)
    client.post(
        f"{ROOT}/blocks/{block}/pull-clips",
        {"rows": [1, 2], "change": {"reason": "isolated", "happened_on": str(make.day)}},
        content_type="application/json",
    )
    meter = make.add("instruments", "calibrated_on")
    visit = make.add("visits", closet_id=closet, visited_on=str(make.day))
    other = ("unit", "passed", "electronics_disconnected", "calibrated_on")
    watts = draw(st.sampled_from([0.0, 5e-324, 1 / 3, 1e4]))
    make.add(
        "tests", "power_group", *other, kind="run_current", state="paging", value=watts, run_id=run,
        taken_on=str(make.day), instrument_record_id=meter, visit_id=visit,
    )  # fmt: skip
    make.add(
        "tests", *other, kind="poe_power", state="paging", value=watts, switch_id=switch,
        taken_on=str(FIRST_DAY),
    )  # fmt: skip
    make.add(
        "tests", "power_group", "value", "instrument_error", *other, kind="listening", state="paging",
        passed=draw(st.booleans()), zone_id=zones[0], taken_on=str(make.day),
    )  # fmt: skip
    make.add(
        "tests", "power_group", "signal", *other, kind="insulation", state=None, value=1e12, run_id=run,
        electronics_disconnected=True, taken_on=str(make.day),
    )  # fmt: skip
    make.day = draw(st.sampled_from([max(make.day, TODAY), LAST_DAY]))
    make.do("zones", zones[1], "partial_update")
    make.do("closets", closet, "partial_update")
    make.do("sites", site, "partial_update")
    make.do("points", first, "partial_update", *loads, "kind", "length_m", "after_id", "place")
    make.do("supplies", supply, "correct", model_id=None)
    make.do("runs", run, "correct", "kind", "fuse_fitted", "fuse_rating_a")


def exported() -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        export_folder(Path(folder))
        return content_of(Path(folder))


@pytest.mark.django_db
def test_what_rest_stores_is_exported_and_imports(manager: User, settings: Any) -> None:
    settings.REQUESTS_PER_MINUTE = 10**9
    _, secret = token_make(user=manager, scopes=[ability.value for ability in TOKEN_SCOPES])
    client = Client(headers={"Authorization": f"Bearer {secret}"})

    @given(data=st.data())
    # A record that fails is shown as it is: to make it smaller would take minutes
    @hypothesis_settings(
        max_examples=1 if IN_CI else 3, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
    )
    def stored(data: Any) -> None:
        with transaction.atomic():
            record(client, data.draw)
            files = exported()
            # The record that it came from has all of it
            assert import_files(files, Importer("Mila Quay", NOW)).nothing_new
            transaction.set_rollback(True)
        with transaction.atomic():
            assert not Site.objects.exists()
            done = import_files(files, Importer("Mila Quay", NOW))
            assert not done.problems
            assert exported() == files
            transaction.set_rollback(True)

    stored()
