"""Which writes mark which sites for a recheck, and in which lane."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest
from django.db import transaction

from sites.changes.making import bulk_lane
from sites.changes.services import open_change_set, today_at
from sites.models import Closet, Contact, DeviceModel, Factor, Site
from sites.models.changes import ChangeSet, Mark
from sites.services.catalogue import (
    cable_type_alter,
    device_model_add,
    device_model_alter,
    factor_set,
    factor_unset,
)
from sites.services.closets import closet_alter, contact_add
from sites.services.customers import contract_alter, coverage_remove, customer_alter
from sites.services.power import supply_alter
from sites.services.sites import site_alter
from tests import factories
from tests.factories import change
from tests.sites.changes.rows import accepted, say, sql
from zones.models import Run, Zone
from zones.services.zones import zone_alter

pytestmark = pytest.mark.django_db
Kind = DeviceModel.Kind


def marked() -> dict[int, set[int]]:
    """Lanes of the marks there are, by site."""
    lanes: dict[int, set[int]] = {}
    for site_id, lane in Mark.objects.values_list("site_id", "lane"):
        lanes.setdefault(site_id, set()).add(lane)
    return lanes


@pytest.fixture
def quiet(site: Site, closet: Closet, run: Run) -> Site:
    """The site, rechecked: no marks."""
    Mark.objects.all().delete()
    return site


def test_a_new_site_is_marked(customer: object) -> None:
    Mark.objects.all().delete()
    site = factories.make_site()
    assert marked() == {site.pk: {Mark.Lane.INTERACTIVE}}


@pytest.mark.parametrize(
    "write",
    [
        lambda site: closet_alter(change(site), closet=Closet.objects.get(site=site), dangers="chlorine"),
        lambda site: contact_add(change(site), name="T. Brack", role=Contact.Role.SITE),
        lambda site: site_alter(change(site), note="gate code with security", dangers="ammonia"),
        lambda site: customer_alter(change(), customer=site.customer, note="prefers mornings"),
    ],
    ids=["closet", "contact", "texts of the site", "customer"],
)
def test_what_is_for_people_marks_nobody(quiet: Site, write: Callable[[Site], object]) -> None:
    write(quiet)
    assert marked() == {}


@pytest.mark.parametrize(
    "write",
    [
        lambda site: site_alter(change(site), design_temperature_c=-25.0),
        lambda site: site_alter(change(site), time_zone="Europe/Lisbon"),
        lambda site: site_alter(change(site), surveyed_on=dt.date(2026, 2, 3)),
        lambda site: site_alter(change(site), commissioned_on=dt.date(2026, 2, 3)),
        lambda site: site_alter(change(site), jurisdiction=Site.Jurisdiction.CANADA),
        lambda site: factories.make_supply(Closet.objects.get(site=site)),
        lambda site: factories.make_points(Run.objects.get(site=site), 1),
        lambda site: zone_alter(
            change(site), zone=Zone.objects.get(site=site), life_safety=Zone.LifeSafety.YES
        ),
    ],
    ids=["temperature", "time zone", "survey", "commissioning", "jurisdiction", "supply", "point", "zone"],
)
def test_what_feeds_a_load_marks_its_site(quiet: Site, write: Callable[[Site], object]) -> None:
    write(quiet)
    assert marked() == {quiet.pk: {Mark.Lane.INTERACTIVE}}


def test_one_mark_a_change_set_however_many_its_statements(quiet: Site, closet: Closet) -> None:
    factories.make_switch(closet)
    mark = Mark.objects.get()
    assert mark.change_set is not None
    assert mark.change_set.changes.count() > 2


def test_a_bulk_writer_says_so(quiet: Site, closet: Closet) -> None:
    with transaction.atomic(), bulk_lane():
        factories.make_supply(closet)
    assert marked() == {quiet.pk: {Mark.Lane.BULK}}
    Mark.objects.all().delete()
    factories.make_supply(closet)
    assert marked() == {quiet.pk: {Mark.Lane.INTERACTIVE}}


def test_editing_a_rating_marks_every_site_that_uses_the_model_in_bulk(quiet: Site, closet: Closet) -> None:
    supply_model = factories.make_model(Kind.SUPPLY)
    speaker = factories.make_model(Kind.CEILING_SPEAKER)
    factories.make_supply(closet, supply_model)
    elsewhere = factories.make_run(factories.make_block())
    factories.make_points(elsewhere, 1, speaker)
    Mark.objects.all().delete()

    device_model_alter(change(), device_model=supply_model, rated_current_a=4.0)
    assert marked() == {quiet.pk: {Mark.Lane.BULK}}
    Mark.objects.all().delete()
    device_model_alter(change(), device_model=speaker, idle_current_a=0.02)
    assert marked() == {elsewhere.site_id: {Mark.Lane.BULK}}


def test_a_model_that_a_site_has_given_up_still_counts_for_its_past(quiet: Site, closet: Closet) -> None:
    old, new = factories.make_model(Kind.SUPPLY), factories.make_model(Kind.SUPPLY)
    supply = factories.make_supply(closet, old)
    supply_alter(change(quiet), supply=supply, model=new)
    Mark.objects.all().delete()
    device_model_alter(change(), device_model=old, rated_current_a=1.0)
    assert marked() == {quiet.pk: {Mark.Lane.BULK}}


def test_renaming_a_model_marks_nobody(quiet: Site, closet: Closet) -> None:
    model = factories.make_model(Kind.SUPPLY)
    factories.make_supply(closet, model)
    Mark.objects.all().delete()
    device_model_alter(change(), device_model=model, name="CS-2 mark II", note="new label")
    assert marked() == {}
    assert not ChangeSet.objects.filter(kind=ChangeSet.Kind.CATALOGUE).exists()


def test_a_new_model_marks_nobody(quiet: Site) -> None:
    device_model_add(change(), name="CS-9", kind=Kind.SUPPLY)
    assert marked() == {}


def test_editing_a_cable_type_marks_its_users(quiet: Site, run: Run) -> None:
    cable = factories.make_cable()
    factories.make_points(run, 1, cable_type=cable)
    factories.make_site()
    Mark.objects.all().delete()
    cable_type_alter(change(), cable_type=cable, gauge_awg=23)
    assert marked() == {quiet.pk: {Mark.Lane.BULK}}


def test_a_factor_marks_all_sites(quiet: Site) -> None:
    other = factories.make_site()
    Mark.objects.all().delete()
    factor_set(change(), name="supply_loading", value=0.7)
    assert marked() == {quiet.pk: {Mark.Lane.BULK}, other.pk: {Mark.Lane.BULK}}
    Mark.objects.all().delete()
    factor_unset(change(), name="supply_loading")
    assert marked() == {quiet.pk: {Mark.Lane.BULK}, other.pk: {Mark.Lane.BULK}}
    assert not Factor.objects.exists()


def test_an_edit_of_the_catalogue_is_a_correction_of_each_site_that_uses_it(
    quiet: Site, closet: Closet
) -> None:
    model = factories.make_model(Kind.SUPPLY)
    factories.make_supply(closet, model)
    factories.make_site()
    done = device_model_alter(
        change(reason="the data sheet says 4 A", job_reference="CAT-2"),
        device_model=model,
        rated_current_a=4.0,
    )
    follows = ChangeSet.objects.get(kind=ChangeSet.Kind.CATALOGUE)
    assert follows.site == quiet
    assert follows.step is not None
    assert follows.reason == f"device model {model.name}: the data sheet says 4 A"
    assert follows.job_reference == "CAT-2"
    assert follows.operations[0]["change_set"] == done.change_set.pk
    model.refresh_from_db()
    assert (model.change_set_id, model.rated_current_a) == (done.change_set.pk, 4.0)


def test_an_edit_by_raw_sql_is_one_too_once_a_site(quiet: Site, closet: Closet) -> None:
    models = [factories.make_model(Kind.SUPPLY) for _ in range(2)]
    for model in models:
        factories.make_supply(closet, model)
    edit = accepted(None)
    say(edit)
    sql("UPDATE device_model SET note = 'seen' WHERE id = %s", models[0].pk)
    assert not ChangeSet.objects.filter(kind=ChangeSet.Kind.CATALOGUE).exists(), "a note bears on no load"
    for model in models:
        sql("UPDATE device_model SET rated_current_a = 4 WHERE id = %s", model.pk)
    follows = ChangeSet.objects.get(kind=ChangeSet.Kind.CATALOGUE)
    assert (follows.site, follows.operations[0]["change_set"]) == (quiet, edit)
    assert (follows.channel, follows.actor, follows.happened_on) == ("sql", "R. Vale", today_at(quiet.pk))
    assert follows.reason == f"device model {models[0].name}: written by hand"


def test_what_a_contract_says_marks_the_sites_it_covers(quiet: Site) -> None:
    contract = factories.make_contract(quiet.customer)
    coverage = factories.make_coverage(contract, quiet)
    assert marked() == {quiet.pk: {Mark.Lane.INTERACTIVE}}
    Mark.objects.all().delete()
    contract_alter(change(), contract=contract, test_interval_months=6)
    assert marked() == {quiet.pk: {Mark.Lane.BULK}}
    Mark.objects.all().delete()
    contract_alter(change(), contract=contract, reference="M-renamed")
    assert marked() == {}
    coverage_remove(change(), coverage=coverage)
    assert marked() == {quiet.pk: {Mark.Lane.INTERACTIVE}}


def test_rows_written_in_bulk_mark_like_any_others(quiet: Site, closet: Closet) -> None:
    with open_change_set(change(quiet, reason="import")) as change_set:
        closet.blocks.model.objects.bulk_create(
            closet.blocks.model(site=quiet, closet=closet, name=f"T{number}", kind="110")
            for number in range(3)
        )
    assert Mark.objects.get().change_set == change_set
