"""What is only probably past opens a case where the contract, or without one the customer, says so.

27 speakers of 50 mA, measured, and 7 of 50 mA, marked: 1.35 + 0.35 = 1.70 A likely, past 1.60 A;
0.95 × 1.35 + 0.85 × 0.35 = 1.58 A at least, which is not."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.models import Contract, Coverage, Customer, Mark, User
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, NOW, Quay
from tests.zones.recording import shared_change
from zones.findings.services import case_set_ticket_reference
from zones.models import Case, DueDate
from zones.recheck.batch import check

pytestmark = pytest.mark.django_db
MARKED = 3
LATER = NOW + dt.timedelta(days=1)


def _case(quay: Quay) -> Case:
    return Case.objects.get(site_id=quay.site_id)


def _probably_past(quay: Quay) -> Quay:
    quay.add(7, basis=MARKED, current_a=0.05)
    quay.check()
    assert quay.finding().verdict_word == "probably_past"
    return quay


def _recheck(quay: Quay, now: dt.datetime) -> None:
    """What the sweep does with marks, and nothing where there is none."""
    check([quay.site_id], now=now)


def test_without_a_contract_the_customer_withholds_it_until_it_says_otherwise() -> None:
    quay = _probably_past(Quay())
    case = _case(quay)
    assert (case.withheld, case.first_opened_at) == (True, None)
    with shared_change():
        Customer.objects.filter(pk=quay.record.customer.pk).update(probably_past_opens_cases=True)
    _recheck(quay, LATER)
    case.refresh_from_db()
    assert (case.withheld, case.opened_at, case.first_opened_at) == (False, LATER, LATER)
    assert case.changed_at == LATER


def test_a_contract_opens_it_until_it_says_otherwise() -> None:
    quay = Quay()
    contract = quay.cover()
    _probably_past(quay)
    assert (_case(quay).withheld, _case(quay).first_opened_at) == (False, NOW)
    with shared_change():
        Contract.objects.filter(pk=contract.pk).update(probably_past_opens_cases=False)
    _recheck(quay, LATER)
    assert (_case(quay).withheld, _case(quay).changed_at) == (True, LATER)


def test_the_contract_speaks_before_the_customer() -> None:
    quay = Quay()
    quay.cover(probably_past_opens_cases=False)
    with shared_change():
        Customer.objects.filter(pk=quay.record.customer.pk).update(probably_past_opens_cases=True)
    assert _case(_probably_past(quay)).withheld


@pytest.mark.parametrize("of", [Customer, Contract])
def test_other_edits_of_either_recheck_no_site(of: type[Customer | Contract]) -> None:
    quay = Quay()
    contract = quay.cover()
    quay.check()
    pk = contract.pk if of is Contract else quay.record.customer.pk
    with shared_change():
        of._default_manager.filter(pk=pk).update(note="Invoices go to the purser.")
    assert not Mark.objects.filter(site_id=quay.site_id).exists()


def test_the_day_on_which_the_contract_lapses_withholds_it() -> None:
    quay = Quay()
    contract = quay.cover()
    lapse = NOW.date() + dt.timedelta(days=30)
    with shared_change():
        Coverage.objects.filter(contract=contract).update(days=(ADDED, lapse))
    _probably_past(quay)
    assert not _case(quay).withheld
    at = dt.datetime.combine(lapse, dt.time.min, dt.UTC)
    assert list(DueDate.objects.filter(site_id=quay.site_id).values_list("at", "reason")) == [
        (at, "contract ends")
    ]
    quay.check(at)
    assert _case(quay).withheld


def test_what_is_past_for_certain_opens_it() -> None:
    quay = _probably_past(Quay())
    quay.add(4, ADDED + dt.timedelta(days=1))  # 0.16 A measured: 1.58 + 0.95 × 0.16 = 1.73 A at least
    quay.check(LATER)
    assert quay.finding().verdict_word == "past"
    assert not quay.finding().case.withheld


def test_a_case_with_a_ticket_is_never_withheld() -> None:
    quay = _probably_past(Quay())
    case_set_ticket_reference(
        case=_case(quay), user=make_user(User.Role.DISPATCHER), ticket_reference="T-40718"
    )
    assert not _case(quay).withheld
    quay.check(LATER)
    assert not _case(quay).withheld
