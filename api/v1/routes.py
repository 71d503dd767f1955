"""The addresses of version 1: a resource's name, and the views that answer there."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from api.conventions.views import Resource

from . import (
    about,
    amplifiers,
    blocks,
    cable_types,
    calculations,
    cases,
    change_sets,
    changes,
    closets,
    contacts,
    contracts,
    coverages,
    customers,
    device_models,
    endpoints,
    findings,
    landings,
    operation_lists,
    outputs,
    paging_sets,
    points,
    readings,
    runs,
    search,
    sites,
    supplies,
    switch_ports,
    switches,
    tokens,
    zone_endpoints,
    zones,
)

RESOURCES: dict[str, type[Resource]] = {
    "customers": customers.Customers,
    "contracts": contracts.Contracts,
    "coverages": coverages.Coverages,
    "sites": sites.Sites,
    "closets": closets.Closets,
    "contacts": contacts.Contacts,
    "device-models": device_models.DeviceModels,
    "cable-types": cable_types.CableTypes,
    "switches": switches.Switches,
    "switch-ports": switch_ports.SwitchPorts,
    "endpoints": endpoints.Endpoints,
    "outputs": outputs.Outputs,
    "supplies": supplies.Supplies,
    "amplifiers": amplifiers.Amplifiers,
    "blocks": blocks.Blocks,
    "landings": landings.Landings,
    "readings": readings.Readings,
    "paging-sets": paging_sets.PagingSets,
    "zones": zones.Zones,
    "zone-endpoints": zone_endpoints.ZoneEndpoints,
    "runs": runs.Runs,
    "points": points.Points,
    "change-sets": change_sets.ChangeSets,
    "changes": changes.Changes,
    "findings": findings.Findings,
    "cases": cases.Cases,
}

_router = SimpleRouter(trailing_slash=False, use_regex_path=False)
for _name, _view in RESOURCES.items():
    _router.register(_name, _view, basename=_name)

urlpatterns: list[URLPattern | URLResolver] = [
    path("schema", about.SchemaDoor.as_view(), name="schema"),
    path("reference", about.ReferencePage.as_view(), name="reference"),
    path("problems", about.ProblemsDoor.as_view(), name="problems"),
    path("problems/<str:code>", about.ProblemDoor.as_view(), name="problem"),
    path("operations", operation_lists.Operations.as_view(), name="operations"),
    path("calculations/run", calculations.RunCalculation.as_view(), name="calculations-run"),
    path("search", search.Search.as_view(), name="search"),
    path("tokens", tokens.Tokens.as_view(), name="tokens"),
    path("tokens/<int:id>/revoke", tokens.TokenRevocation.as_view(), name="tokens-revoke"),
    *_router.urls,
]
