"""What a person does while a recheck is under way is not lost: the recheck begins again."""

from __future__ import annotations

import datetime as dt
import threading

import pytest
from django.db import connection

from sites.models import Mark, User
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, NOW, Quay
from zones.findings import rechecked
from zones.findings.conditions import Condition, conditions_of
from zones.findings.services import finding_acknowledge
from zones.recheck.batch import recheck
from zones.recheck.checked import Checked


@pytest.mark.django_db(transaction=True)
def test_an_acknowledgement_during_a_recheck_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    quay = Quay()
    quay.cover()
    dispatcher = make_user(User.Role.DISPATCHER)
    quay.add(12)
    assert recheck([quay.site_id], now=NOW).checked == [quay.site_id]
    quay.add(4, ADDED + dt.timedelta(days=1))

    tries = []

    def acknowledge() -> None:
        finding_acknowledge(finding=quay.finding(), user=dispatcher, reason="seen")
        connection.close()

    def meanwhile(checked: Checked) -> list[Condition]:
        found = conditions_of(checked)  # the snapshot is taken
        tries.append(checked)
        if len(tries) == 1:
            person = threading.Thread(target=acknowledge)
            person.start()
            person.join()
        return found

    monkeypatch.setattr(rechecked, "conditions_of", meanwhile)
    assert recheck([quay.site_id], now=NOW + dt.timedelta(hours=1)).checked == [quay.site_id]
    assert len(tries) == 2
    finding = quay.finding()
    assert (finding.state, finding.state_reason) == ("acknowledged", "seen")
    assert finding.likely == pytest.approx(1.99)
    assert quay.kinds() == ["case.opened", "case.acknowledged", "case.changed"]
    assert not Mark.objects.filter(site_id=quay.site_id).exists()
