"""The commissioning record of a zone, to hand to the customer: each run's proof and the tests that it rests
on."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from api.pages.printed import answer_pdf, pdf, qr_code
from api.pages.templatetags.marks import NOT_RECORDED, day
from sites.wording import capital
from zones.models import Run, Zone

from .tests_in_words import Answer, in_words


class CommissioningPdf(Page):
    query = OnQuery
    shows = Zone

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        zone = answer_of(request, f"zones/{kwargs['id']}", as_of=self.on, expand="site")
        customer = answer_of(request, f"customers/{zone['site']['customer_id']}")
        record = answer_of(request, f"zones/{kwargs['id']}/commissioning", as_of=self.on)
        return {"record": record, "site": zone["site"]["name"], "customer": customer["name"]}

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:
        number = shown["record"]["zone_id"]
        address = request.build_absolute_uri(reverse("zone", kwargs={"id": number}))
        return answer_pdf(record_pdf(shown, address), f"commissioning-{number}")


def record_pdf(shown: Answer, address: str) -> bytes:
    """shown: the record as the API answers it, and the names of site and customer. address: of the zone's
    page, where the QR code leads."""
    record = shown["record"]
    data = {
        "zone": record["zone"],
        "site": shown["site"],
        "customer": shown["customer"],
        "as_of": day(record["as_of"]),
        "commissioned_on": day(record["commissioned_on"]) if record["commissioned_on"] else "",
        "summary": record["sentence"],
        "runs": [_run(one) for one in record["runs"]],
        "of_zone": [_test(one) for one in record["of_zone"]],
        "address": address,
        "code": qr_code(address),
    }
    return pdf("commissioning.typ", data)


def _run(run: Answer) -> dict[str, Any]:
    return {
        "name": run["name"],
        "kind": capital(Run.Kind(run["kind"]).label),
        "block": f"{run['block']} in closet {run['closet']}",
        "fed_by": ", ".join(run["fed_by"]) or NOT_RECORDED,
        "proven": run["proven"],
        "proof": run["sentence"],
        "missing": [each["sentence"] for each in run["of_proof"] if each["verdict"] != "passed"],
        "tests": [_test(one) for one in run["tests"]],
    }


def _test(test: Answer) -> dict[str, str]:
    words = in_words({**test, "point_id": None})
    serial = f", serial {test['serial']}" if test["serial"] else ""
    return {
        "what": words["what"],
        "how": ", ".join(filter(None, [words["how"], test["point"]])),
        "said": words["said"],
        "judged": words["judged"],
        "taken_on": " ".join(filter(None, [day(test["taken_on"]), test["taken_at"]])),
        "technician": test["technician"] or NOT_RECORDED,
        "instrument": f"{test['instrument']}{serial}" if test["instrument"] else NOT_RECORDED,
        "calibration": _calibration(test),
        "note": test["note"],
    }


def _calibration(test: Answer) -> str:
    if test["calibration_due_on"] is None:
        return f"calibrated {day(test['calibrated_on'])}" if test["calibrated_on"] else ""
    word = "calibration lapsed" if test["calibration_lapsed"] else "calibration until"
    return f"{word} {day(test['calibration_due_on'])}"
