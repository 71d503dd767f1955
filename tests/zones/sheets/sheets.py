"""Closet sheets as of the days that their tests speak of."""

from __future__ import annotations

import datetime as dt

from sites.models import Closet
from tests import factories
from zones.sheets.closet_sheet import ClosetSheet, closet_sheet

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)


def sheet_of(closet: Closet, day: dt.date = BUILT) -> ClosetSheet:
    return closet_sheet(Closet.objects.select_related("site__customer").get(pk=closet.pk), day)
