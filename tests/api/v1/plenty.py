"""Some of everything that the API lists, all of one customer."""

from __future__ import annotations

from django.utils import timezone

from sites.changes.services import today_at
from sites.changes.steps import first_step_after
from sites.models import Basis, Contact, Customer, DeviceModel, Instrument, Secret
from sites.models.access import User
from sites.services.closets import contact_add
from sites.services.endpoints import endpoint_move
from sites.services.instruments import instrument_add
from sites.services.secrets import secret_add, secret_reveal
from tests import factories
from tests.halls import Hall, make_hall
from zones.electrical.bearing import bearing
from zones.electrical.plant import Members
from zones.electrical.subjects import SubjectKind
from zones.findings.named_changes import unattributed
from zones.models import Case, DueTest, Finding, Test
from zones.plant.selectors import read_plant
from zones.recheck.stored_results import write_bearing
from zones.services.landings import PairUse, landing_add
from zones.services.paging_sets import paging_set_add
from zones.services.tests import record_test
from zones.services.visits import visit_record
from zones.services.zones import zone_endpoint_add


def one_hall(customer: Customer) -> Hall:
    return make_hall(
        closet := factories.make_closet(factories.make_site(customer)), factories.make_block(closet)
    )


def add(hall: Hall, count: int) -> None:
    """``count`` more of every kind of thing, those of a site at the hall's."""
    customer, change = hall.site.customer, factories.change(hall.site)
    speaker = factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER)
    cable = factories.make_cable()
    small = factories.make_model(DeviceModel.Kind.SWITCH, port_count=1)
    person = factories.make_user(User.Role.DISPATCHER, customers=[customer])
    for _ in range(count):
        factories.make_user(User.Role.READER, customers=[customer])
        site = factories.make_site(customer)
        factories.make_coverage(factories.make_contract(customer), site)
        factories.make_model(DeviceModel.Kind.HORN)
        factories.make_cable()
        closet = factories.make_closet(hall.site)
        contact_add(change, closet=closet, role=Contact.Role.SITE, name=f"Ada {factories.next_number()}")
        secret = secret_add(
            user=person, site=hall.site, closet=closet, kind=Secret.Kind.DOOR, code="4711#",
            label=f"door {factories.next_number()}",
        )  # fmt: skip
        secret_reveal(user=person, secret=secret, reason="night call")
        block, zone = factories.make_block(hall.closet), factories.make_zone(hall.site)
        supply = factories.make_supply(hall.closet)
        amplifier = factories.make_amplifier(hall.closet)
        gateway = factories.make_gateway(hall.closet)
        heard = factories.make_gateway(hall.closet, speaker)
        switch = factories.make_switch(hall.closet, small)
        endpoint_move(change, endpoint=heard, port=switch.ports.get())
        run = factories.make_run(block, zone=zone, supply=supply, output=gateway.outputs.get(number=1))
        factories.make_points(
            run,
            1,
            hall.speaker,
            cable_type=cable,
            zone=hall.zone,
            feed_supply=None,
            current_basis=Basis.MARKED,
        )
        landing_add(change, block=block, row=1, pair=1, carries=PairUse.AUDIO, run=run)
        landing_add(change, block=block, row=5, pair=1, carries=PairUse.LINE, amplifier=amplifier)
        zone_endpoint_add(change, zone=zone, endpoint=heard)
        paging_set_add(change, name=f"set {factories.next_number()}", zones=[zone])
        visit = visit_record(
            change, closet=closet, visited_on=factories.BUILT_ON, technician="Rune", job_reference="T-4071"
        ).result
        contract = factories.make_contract(customer)
        DueTest.objects.create(
            site=hall.site, run=run, contract=contract, due_on=factories.BUILT_ON, surveyed=False
        )
        instrument = instrument_add(
            factories.change(), name=f"meter {factories.next_number()}",
            kind=Instrument.Kind.CLAMP_METER,
        ).result  # fmt: skip
        record_test(
            change, kind=Test.Kind.RUN_CURRENT, state=Test.State.IDLE, value=0.1,
            taken_on=factories.BUILT_ON, run=run, visit=visit, instrument_record=instrument,
        )  # fmt: skip
        for kind, thing, code in (
            (SubjectKind.SUPPLY, supply, "supply_current"),
            (SubjectKind.RUN, run, "run_voltage"),
            (SubjectKind.BLOCK, block, "row_used_twice"),
            (SubjectKind.AMPLIFIER, amplifier, "amplifier_load"),
            (SubjectKind.ENDPOINT, heard, "endpoint_cable"),
            (SubjectKind.PORT, switch.ports.get(), "port_power"),
            (SubjectKind.SWITCH, switch, "poe_allocated"),
            (SubjectKind.OUTPUT, gateway.outputs.get(number=1), "output_speakers"),
        ):
            _finding(hall, kind, thing.pk, code)
    plant = read_plant([hall.site.pk])
    today = first_step_after(today_at(hall.site.pk)) - 1
    write_bearing(plant, bearing(plant, Members.of_sites(plant, today)))


def _finding(hall: Hall, kind: SubjectKind, subject_id: int, code: str) -> None:
    """A finding as a recheck would open it, in a case of its own."""
    now = timezone.now()
    case = Case.objects.create(site=hall.site, key=f"{hall.site.pk}/{code}/{subject_id}", opened_at=now)
    Finding.objects.create(
        site=hall.site, case=case, code=code, subject_kind=int(kind), subject_id=subject_id, verdict=4,
        low=2.0, likely=2.1, high=2.2, limit_value=1.6, detail=None, attribution=unattributed(),
        opened_at=now, changed_at=now,
    )  # fmt: skip
