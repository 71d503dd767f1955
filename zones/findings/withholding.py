"""Which cases are withheld: what is open in them is only probably past, and opens no case by the contract
that covers the site, or without one by the customer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping

from django.db import connection

from zones.electrical.verdicts import Verdict
from zones.models import Case, Finding


def sites_withholding(days: Mapping[int, dt.date]) -> set[int]:
    """The sites where, on their day, what is only probably past opens no case. One query."""
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT site.id
               FROM unnest(%s::bigint[], %s::date[]) AS asked(site_id, day)
                   JOIN site ON site.id = asked.site_id
                   JOIN customer ON customer.id = site.customer_id
                   LEFT JOIN coverage ON coverage.site_id = site.id AND coverage.days @> asked.day
                   LEFT JOIN contract ON contract.id = coverage.contract_id
               WHERE NOT coalesce(contract.event_when_probable, customer.probably_past_opens_cases)""",
            [list(days), list(days.values())],
        )
        return {site_id for (site_id,) in cursor.fetchall()}


def is_withheld(case: Case, findings: Iterable[Finding], *, site_withholds: bool) -> bool:
    """Whether a case with these open findings is withheld. One with a ticket never is: somebody works on
    it."""
    return (
        site_withholds
        and not case.ticket_reference
        and all(finding.verdict == Verdict.PROBABLY_PAST for finding in findings)
    )
