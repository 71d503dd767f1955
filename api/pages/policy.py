"""What a browser may do with an answer (Content Security Policy, level 3)."""

from __future__ import annotations

from typing import Final

from csp.constants import HEADER
from csp.middleware import CSPMiddleware
from django.http import HttpRequest
from django.http.response import HttpResponseBase

NOTHING: Final = "default-src 'none'; frame-ancestors 'none'"


class PolicyMiddleware(CSPMiddleware):
    """The policy of the settings, but for JSON: a browser may do nothing with that. This policy is always the
    same, and to build the other one takes as long as to find the address."""

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        if "json" in response.headers.get("Content-Type", ""):
            response.headers[HEADER] = NOTHING
            return response
        return super().process_response(request, response)
