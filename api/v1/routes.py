"""The addresses of version 1: a resource's path, and the view set that answers there."""

from __future__ import annotations

from typing import Final

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from api.conventions.viewsets import ReadOnlyViewSet

from . import (
    about,
    calculations,
    calendars,
    cases,
    catalogue,
    change_sets,
    changes,
    closets,
    customers,
    due_tests,
    endpoints,
    events,
    findings,
    instruments,
    landings,
    operation_lists,
    paging_sets,
    points,
    power,
    power_readings,
    runs,
    search,
    secrets,
    sites,
    subscriptions,
    switches,
    tests,
    tokens,
    users,
    visits,
    zones,
)

RESOURCES: Final[dict[str, type[ReadOnlyViewSet]]] = {
    "users": users.UserViewSet,
    "customers": customers.CustomerViewSet,
    "contracts": customers.ContractViewSet,
    "coverages": customers.CoverageViewSet,
    "sites": sites.SiteViewSet,
    "closets": closets.ClosetViewSet,
    "contacts": closets.ContactViewSet,
    "secrets": secrets.SecretViewSet,
    "secret-reveals": secrets.SecretRevealViewSet,
    "catalogue/devices": catalogue.DeviceModelViewSet,
    "catalogue/cables": catalogue.CableTypeViewSet,
    "switches": switches.SwitchViewSet,
    "switch-ports": switches.SwitchPortViewSet,
    "endpoints": endpoints.EndpointViewSet,
    "outputs": endpoints.OutputViewSet,
    "supplies": power.SupplyViewSet,
    "amplifiers": power.AmplifierViewSet,
    "blocks": closets.BlockViewSet,
    "landings": landings.LandingViewSet,
    "instruments": instruments.InstrumentViewSet,
    "visits": visits.VisitViewSet,
    "tests": tests.TestViewSet,
    "due-tests": due_tests.DueTestViewSet,
    "paging-sets": paging_sets.PagingSetViewSet,
    "zones": zones.ZoneViewSet,
    "zone-endpoints": zones.ZoneEndpointViewSet,
    "runs": runs.RunViewSet,
    "points": points.PointViewSet,
    "change-sets": change_sets.ChangeSetViewSet,
    "changes": changes.ChangeViewSet,
    "findings": findings.FindingViewSet,
    "cases": cases.CaseViewSet,
}
"""Each resource by its path. What it is (its gate and so its model, its serializer) is on its view set."""

_router = SimpleRouter(trailing_slash=False, use_regex_path=False)
for _name, _view_set in RESOURCES.items():
    _router.register(_name, _view_set, basename=_name)

urlpatterns: list[URLPattern | URLResolver] = [
    path("schema", about.SchemaView.as_view(), name="schema"),
    path("reference", about.ReferencePage.as_view(), name="reference"),
    path("problems", about.ProblemListView.as_view(), name="problems"),
    path("problems/<str:code>", about.ProblemView.as_view(), name="problem"),
    path("operations", operation_lists.OperationListView.as_view(), name="operations"),
    path("calculations/run", calculations.RunCalculationView.as_view(), name="calculations-run"),
    path("events", events.EventListView.as_view(), name="events"),
    path("search", search.SearchView.as_view(), name="search"),
    path("subscriptions", subscriptions.SubscriptionListView.as_view(), name="subscriptions"),
    path("subscriptions/<int:id>", subscriptions.SubscriptionView.as_view(), name="subscription"),
    *(
        path(f"subscriptions/<int:id>/{name}", view.as_view(), name=f"subscription-{name}")
        for name, view in {
            "on": subscriptions.SubscriptionOnView,
            "rotate-secret": subscriptions.SubscriptionSecretView,
            "test": subscriptions.SubscriptionTestView,
            "replay": subscriptions.SubscriptionReplayView,
            "deliveries": subscriptions.SubscriptionDeliveryListView,
        }.items()
    ),
    path(
        "switches/<int:id>/power-readings",
        power_readings.PowerReadingViewSet.as_view({"post": "read_power"}, detail=False),
        name="switch-power-readings",
    ),
    path("calendars", calendars.CalendarListView.as_view(), name="calendars"),
    path("calendars/<int:id>", calendars.CalendarView.as_view(), name="calendar"),
    path("tokens", tokens.TokenListView.as_view(), name="tokens"),
    path("tokens/<int:id>/revoke", tokens.TokenRevocationView.as_view(), name="tokens-revoke"),
    *_router.urls,
]
