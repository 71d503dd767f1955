"""Every address of the service."""

from django.urls import URLPattern, URLResolver, include, path

from api.calendars.views import calendar_file
from api.monitoring import health
from api.monitoring.metrics import MetricsView

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
    path("metrics", MetricsView.as_view(), name="metrics"),
    path("api/v1/", include("api.v1.routes")),
    path("calendars/<str:key>.ics", calendar_file, name="calendar-file"),
    path("", include("api.pages.urls")),
]

handler400 = "api.pages.problem_pages.handler400"
handler403 = "api.pages.problem_pages.handler403"
handler404 = "api.pages.problem_pages.handler404"
handler500 = "api.pages.problem_pages.handler500"
