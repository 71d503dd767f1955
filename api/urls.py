"""Every address of the service."""

from django.urls import URLPattern, URLResolver, include, path

from api.operations import health
from api.pages import home

urlpatterns: list[URLPattern | URLResolver] = [
    path("", home.home, name="home"),
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
    path("api/v1/", include("api.v1.routes")),
]

handler400 = "api.conventions.errors.handler400"
handler403 = "api.conventions.errors.handler403"
handler404 = "api.pages.not_found.handler404"
handler500 = "api.conventions.errors.handler500"
