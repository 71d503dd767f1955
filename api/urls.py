"""Every address of the service."""

from django.urls import URLPattern, URLResolver, path

from api.operations import health

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
]
