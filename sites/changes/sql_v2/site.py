"""Which edits of a site's own row mark it for a recheck."""

from __future__ import annotations

import re

from django.db.migrations import RunSQL

from sites.changes.sql_v2 import withdrawal

# All but these: so a column to come marks the site unless it is named here
_FOR_PEOPLE = (
    "code", "name", "address", "city", "postal_code", "length_unit", "out_of_hours_phone", "induction",
    "permits", "dangers", "note", "change_set_id",
)  # fmt: skip


def _site_updated() -> str:
    return next(new for new, _ in withdrawal.standing_aside() if "zonebook_site_updated()" in new)


def _feeding_all_but(texts: tuple[str, ...]) -> str:
    left_out = ", ".join(f"'{text}'" for text in texts)
    changed, count = re.subn(
        r"WHERE \(n\.time_zone,.*?IS DISTINCT FROM \(o\..*?\)",
        f"WHERE to_jsonb(n) - ARRAY[{left_out}] IS DISTINCT FROM to_jsonb(o) - ARRAY[{left_out}]",
        _site_updated(),
        flags=re.DOTALL,
    )
    assert count == 1
    return changed


SITE_MARKS = RunSQL(_feeding_all_but(_FOR_PEOPLE), _site_updated())
