"""Which changes of a site's own row mark it for a recheck."""

from __future__ import annotations

import re

from sites.changes.sql_v2.withdrawal import standing_aside

(WITHOUT_JURISDICTION,) = (made for made, _ in standing_aside() if "FUNCTION zonebook_site_updated(" in made)
JURISDICTION_MARKS = re.sub(
    r"\b([no])\.surveyed_on,", r"\1.surveyed_on, \1.jurisdiction,", WITHOUT_JURISDICTION
)
