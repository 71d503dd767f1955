"""Which changes of a site's own row mark it for a recheck."""

from __future__ import annotations

import re

from sites.changes.sql_v1.record import record_functions

_UPDATED = re.search(
    r"CREATE FUNCTION (zonebook_site_updated\(\).*?END \$\$;)", record_functions(), re.DOTALL
)
assert _UPDATED is not None

WITHOUT_JURISDICTION = f"CREATE OR REPLACE FUNCTION {_UPDATED[1]}"
JURISDICTION_MARKS = re.sub(
    r"\b([no])\.surveyed_on,", r"\1.surveyed_on, \1.jurisdiction,", WITHOUT_JURISDICTION
)
