"""The limits, in one list. Adding one is an entry in a family's file and its test."""

from __future__ import annotations

from sites.wording import perhaps
from zones.electrical.verdicts import Rule
from zones.limits.audio import AUDIO_LIMITS
from zones.limits.dc import DC_LIMITS
from zones.limits.feeds import FEED_LIMITS
from zones.limits.limit import Limit
from zones.limits.lines import LINE_LIMITS
from zones.limits.poe import POE_LIMITS
from zones.limits.proofs import PROOF_LIMITS
from zones.limits.record import RECORD_LIMITS
from zones.limits.retired import RETIRED_LIMITS
from zones.limits.terminations import TERMINATION_LIMITS

LIMITS: tuple[Limit, ...] = (
    *DC_LIMITS,
    *FEED_LIMITS,
    *AUDIO_LIMITS,
    *LINE_LIMITS,
    *POE_LIMITS,
    *TERMINATION_LIMITS,
    *PROOF_LIMITS,
    *RECORD_LIMITS,
)

RULES: tuple[Rule, ...] = tuple(limit.rule for limit in LIMITS if limit.rule is not None)
"""What ``zones.electrical.evaluate.evaluate`` judges by."""

_BY_CODE = {limit.code: limit for limit in (*LIMITS, *RETIRED_LIMITS)}


def limit_by_code(code: str) -> Limit:
    """The entry of a code, retired or not. Raises KeyError, with the code that may have been meant."""
    try:
        return _BY_CODE[code]
    except KeyError:
        raise KeyError(f"there is no limit {code}{perhaps(code, _BY_CODE)}") from None
