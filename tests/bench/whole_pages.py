"""A whole page of what fleets have few of, or none: of what stands on the sites they have thousands."""

from __future__ import annotations

from collections.abc import Callable

from django.db.models import Model

from api.conventions.sizes import MOST_LISTED
from sites.changes.services import Change, today_at
from sites.models import (
    CableType,
    ChangeSet,
    Closet,
    Contract,
    DeviceModel,
    Instrument,
    Secret,
    User,
)
from sites.services.catalogue import cable_type_add, device_model_add
from sites.services.customers import contract_add, customer_add
from sites.services.instruments import instrument_add
from sites.services.people import user_add
from sites.services.secrets import secret_add, secret_reveal
from tests.bench.fleets import accept
from zones.models import PagingSet, Visit, Zone


def fill(user: User) -> None:
    """As people do who have been at it for long, on the last site: others are asked of the first ones. user:
    who wrote all that."""
    by = Change(site_id=None, user=user, reason="in use", channel=ChangeSet.Channel.COMMAND)
    closet = Closet.objects.select_related("site").latest("site_id", "pk")
    site = closet.site
    zone_ids = [*Zone.objects.filter(site=site).order_by("pk").values_list("pk", flat=True)]

    def contract(number: int) -> None:
        customer = customer_add(by, name=f"Harbour Line {number}", code=f"harbour-{number}").result
        contract_add(by, customer=customer, reference=f"M-{number}", response_hours=8)

    def secret(number: int) -> None:
        kept = secret_add(
            user=user, site=site, kind=Secret.Kind.DOOR, label=f"door {number}", code="4711#", closet=closet
        )
        secret_reveal(user=user, secret=kept, reason="night call")

    def visit(number: int) -> None:
        said = {
            "closet_id": closet.pk,
            "technician": f"crew {number}",
            "visited_on": today_at(site.pk).isoformat(),
            "job_reference": f"T-{number}",
        }
        accept(site.pk, [{"op": "visit.record", **said}], reason="a visit")

    makers: dict[type[Model], Callable[[int], object]] = {
        Contract: contract,
        DeviceModel: lambda number: device_model_add(
            by, kind=DeviceModel.Kind.HORN, name=f"horn {number}", idle_current_a=0.03
        ),
        CableType: lambda number: cable_type_add(by, name=f"category cable {number}", gauge_awg=24),
        Instrument: lambda number: instrument_add(
            by, name=f"meter {number}", kind=Instrument.Kind.CLAMP_METER, serial=f"L-{number:05}"
        ),
        User: lambda number: user_add(
            by=None,
            username=f"person-{number}",
            name="Rune Aske",
            role=User.Role.TECHNICIAN,
            all_customers=True,
        ),
        Secret: secret,
        Visit: visit,
        PagingSet: lambda number: accept(
            site.pk,
            [{"op": "paging_set.add", "name": f"all call {number}", "zone_ids": zone_ids}],
            reason="zones page together",
        ),
    }
    for model, make in makers.items():
        for number in range(model._default_manager.count(), MOST_LISTED):
            make(number)
