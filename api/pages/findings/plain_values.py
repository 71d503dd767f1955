"""Values of the record in words, where no field says how they are to be read."""

from __future__ import annotations

import json
from typing import Any, Final

from api.pages.templatetags.marks import NOT_RECORDED
from sites.wording import shortened

LONGEST: Final = 200


def plain(value: Any) -> str:
    if value is None or value == "":
        return NOT_RECORDED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, dict | list):
        return shortened(json.dumps(value, ensure_ascii=False), LONGEST)
    return shortened(str(value), LONGEST)
