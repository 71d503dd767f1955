"""A view that does nothing but check a body: what the conventions say of bodies, apart from any resource."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import include, path
from rest_framework.request import Request
from rest_framework.response import Response

from api import urls
from api.conventions import fields
from api.conventions.permissions import PUBLIC
from api.conventions.serializers import StrictSerializer
from api.conventions.views import ApiView, Spec


class Segment(StrictSerializer):
    length_m = fields.Number()


class Anything(StrictSerializer):
    name = fields.Text()
    made = fields.Day(read_only=True)
    segments = Segment(many=True, required=False)
    length_m = fields.Number(required=False)
    count = fields.Whole(required=False)


class Checking(ApiView):
    specs = {"post": Spec(PUBLIC, body=Anything)}

    def post(self, request: Request) -> Response:  # noqa: ARG002 - the library's signature
        return Response(self.validated_body())


urlpatterns = [path("api/v1/checking", Checking.as_view()), path("", include(urls.urlpatterns))]
handler400, handler403, handler404, handler500 = (
    urls.handler400,
    urls.handler403,
    urls.handler404,
    urls.handler500,
)


@pytest.fixture
def post_anything(settings: Any, anonymous: Client) -> Callable[..., Any]:
    settings.ROOT_URLCONF = __name__

    def post(body: bytes, content_type: str = "application/json") -> Any:
        return anonymous.post("/api/v1/checking", body, content_type=content_type)

    return post
