"""The commissioning record of a zone, to hand to the customer: each run's proof and the tests that it rests
on."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from api.pages.printed import answer_pdf, pdf, qr_code
from api.pages.templatetags.marks import NOT_RECORDED
from sites.changes.making import today_in
from sites.models import Site
from sites.wording import capital
from zones.gates import zone_for
from zones.models import Run, Zone
from zones.sheets.commissioning import CommissioningRecord, ProvenRun, TestTaken, commissioning_record

from .tests_in_words import in_words


class CommissioningPdf(Page):
    query = OnQuery
    shows = Zone

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        # Says why, where it did not stand on the day
        answer_of(request, f"zones/{kwargs['id']}", as_of=self.on)
        zone = zone_for(principal=self.principal, id=kwargs["id"])
        return {"record": commissioning_record(zone, self.on or today_in(zone.site.time_zone))}

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:
        zone: Zone = shown["record"].zone
        address = request.build_absolute_uri(reverse("zone", kwargs={"id": zone.pk}))
        return answer_pdf(record_pdf(shown["record"], address), f"commissioning-{zone.pk}")


def record_pdf(record: CommissioningRecord, address: str) -> bytes:
    """address: of the zone's page, where the QR code leads."""
    site: Site = record.zone.site
    data = {
        "zone": record.zone.name,
        "site": site.name,
        "customer": site.customer.name,
        "as_of": record.as_of.isoformat(),
        "commissioned_on": _day(site.commissioned_on),
        "summary": _summary(record),
        "runs": [_run(one) for one in record.runs],
        "of_zone": [_test(one) for one in record.of_zone],
        "address": address,
        "code": qr_code(address),
    }
    return pdf("commissioning.typ", data)


def _summary(record: CommissioningRecord) -> str:
    if not record.runs:
        return "No run of this zone is recorded on that day."
    if record.proven:
        return "Every run of this zone is proven."
    left = [one.run.name for one in record.runs if not one.proof.proven]
    return f"Not proven: {', '.join(left)}."


def _run(one: ProvenRun) -> dict[str, Any]:
    run, facts = one.run, one.facts
    sources = [
        f"output {facts.output.number} of {facts.output.endpoint.name}" if facts.output is not None else "",
        f"supply {facts.supply.name}" if facts.supply is not None else "",
        f"amplifier {facts.amplifier.name}" if facts.amplifier is not None else "",
    ]
    return {
        "name": run.name,
        "kind": capital(Run.Kind(run.kind).label),
        "block": f"{run.block.name} in closet {run.block.closet.name}",
        "fed_by": ", ".join(filter(None, sources)) or NOT_RECORDED,
        "proven": one.proof.proven,
        "proof": one.proof.sentence,
        "missing": [each.sentence for each in one.proof.tests if each.verdict != "passed"],
        "tests": [_test(test) for test in one.tests],
    }


def _test(one: TestTaken) -> dict[str, str]:
    test, outcome = one.test, one.outcome
    expected = outcome.expected
    words = in_words(
        {
            "kind": test.kind,
            "state": test.state,
            "signal": test.signal_paged,
            "taken_as": test.taken_as,
            "passed": test.passed,
            "unit": test.unit,
            "value": test.value,
            "point_id": None,
            "verdict": outcome.verdict,
            "expected": None if expected is None else {"low": expected.low, "high": expected.high},
            "outside_by": outcome.outside_by,
            "error": outcome.error,
        }
    )
    recorded = test.instrument_record
    instrument = test.instrument or (recorded.name if recorded is not None else "")
    serial = f", serial {recorded.serial}" if recorded is not None and recorded.serial else ""
    return {
        "what": words["what"],
        "how": ", ".join(filter(None, [words["how"], test.point.name if test.point is not None else ""])),
        "said": words["said"],
        "judged": words["judged"],
        "taken_on": " ".join(filter(None, [_day(test.taken_on), test.taken_at])),
        "technician": test.technician or NOT_RECORDED,
        "instrument": f"{instrument}{serial}" if instrument else NOT_RECORDED,
        "calibration": _calibration(one),
        "note": test.note,
    }


def _calibration(one: TestTaken) -> str:
    test = one.test
    if test.calibration_due_on is None:
        return f"calibrated {_day(test.calibrated_on)}" if test.calibrated_on is not None else ""
    word = "calibration lapsed" if test.calibration_lapsed else "calibration until"
    return f"{word} {_day(test.calibration_due_on)}"


def _day(day: Any) -> str:
    return "" if day is None else str(day.isoformat())
