"""Every page for people: its address, its view, its name, who may look. Tests take their rows here."""

from __future__ import annotations

from typing import Final, NamedTuple

from django.urls import URLPattern, path

from api.conventions.permissions import PUBLIC, Needed
from api.pages.closets import block, closet, codes, labels
from api.pages.equipment import amplifier, endpoint, supply, switch
from api.pages.findings import case, change_set, finding
from api.pages.fleet import contract, customer, due_tests, fleet, home, search, site, survey
from api.pages.zones import commissioning, figure, run, run_tests, zone, zone_history
from sites.access.abilities import Ability

from . import log_in
from .page import Page


class Row(NamedTuple):
    path: str
    view: type[Page]
    name: str
    may: Needed


PAGES: Final = (
    Row("", home.HomePage, "home", PUBLIC),  # without a log-in it says what this is
    Row("search", search.SearchPage, "search-page", Ability.READ_RECORD),
    Row("search/suggestions", search.Suggestions, "suggestions", Ability.READ_RECORD),
    Row("fleet", fleet.FleetPage, "fleet", Ability.READ_RECORD),
    Row("tests/due", due_tests.DueTestsPage, "tests-due", Ability.READ_RECORD),
    Row("contracts/<int:id>", contract.ContractPage, "contract", Ability.READ_RECORD),
    Row("contracts/<int:id>.pdf", contract.ContractPdf, "contract-pdf", Ability.READ_RECORD),
    Row("customers/<int:id>", customer.CustomerPage, "customer", Ability.READ_RECORD),
    Row("sites/<int:id>", site.SitePage, "site", Ability.READ_RECORD),
    Row("sites/<int:id>/survey", survey.SurveyPage, "survey", Ability.READ_RECORD),
    Row("closets/<int:id>", closet.ClosetPage, "closet", Ability.READ_RECORD),
    Row("zones/<int:id>", zone.ZonePage, "zone", Ability.READ_RECORD),
    Row("zones/<int:id>/history", zone_history.ZoneHistoryPage, "zone-history", Ability.READ_RECORD),
    Row(
        "zones/<int:id>/commissioning.pdf",
        commissioning.CommissioningPdf,
        "commissioning",
        Ability.READ_RECORD,
    ),
    Row("figures/<str:code>/<str:kind>/<int:id>", figure.FigurePage, "figure", Ability.READ_RECORD),
    Row("supplies/<int:id>", supply.SupplyPage, "supply", Ability.READ_RECORD),
    Row("amplifiers/<int:id>", amplifier.AmplifierPage, "amplifier", Ability.READ_RECORD),
    Row("endpoints/<int:id>", endpoint.EndpointPage, "endpoint", Ability.READ_RECORD),
    Row("switches/<int:id>", switch.SwitchPage, "switch", Ability.READ_RECORD),
    Row("closets/<int:id>.pdf", closet.ClosetPdf, "closet-pdf", Ability.READ_RECORD),
    Row("closets/<int:id>/codes", codes.CodesPage, "codes", Ability.REVEAL_SECRETS),
    Row("findings/<int:id>", finding.FindingPage, "finding", Ability.READ_RECORD),
    Row("cases/<int:id>", case.CasePage, "case", Ability.READ_RECORD),
    Row("changes/<int:id>", change_set.ChangeSetPage, "change-set", Ability.READ_RECORD),
    Row("runs/<int:id>", run.RunPage, "run", Ability.READ_RECORD),
    Row("runs/<int:id>/tests", run_tests.RunTestsPage, "run-tests", Ability.WRITE_TESTS),
    Row("sites/<int:id>/labels.pdf", labels.LabelsPdf, "labels", Ability.READ_RECORD),
    Row("d/<str:key>", labels.DoorPage, "door", Ability.READ_RECORD),
    Row("blocks/<int:id>", block.BlockPage, "block", Ability.READ_RECORD),
)

urlpatterns: list[URLPattern] = [
    path("log-in", log_in.LogIn.as_view(), name="log-in"),
    path("log-out", log_in.LogOut.as_view(), name="log-out"),
    *(path(row.path, row.view.as_view(may=row.may), name=row.name) for row in PAGES),
]
