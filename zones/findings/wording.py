"""Attributions in words that a dispatcher understands, and as data.

Pure: names come in as a mapping from references to what a person calls the thing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from zones.electrical.bands import DeviceKind

from .attribution import Attribution, Cause, Figure, NamedChange
from .change_types import ACTS
from .changes_at_step import Deed, Reference

if TYPE_CHECKING:
    from zones.plant.change_sets import ChangeSetInfo

Names = Mapping[Reference, str]

_DEVICES: Final = {
    DeviceKind.UNKNOWN: "device",
    DeviceKind.CEILING_SPEAKER: "ceiling speaker",
    DeviceKind.WALL_SPEAKER: "wall speaker",
    DeviceKind.HORN: "horn",
}
# Digits after the point; the second says whether zeros at the end are left out
_DIGITS: Final = {
    "A": (2, False),
    "V": (1, False),
    "dB": (1, False),
    "W": (1, True),
    "Ω": (1, True),
    "m": (1, True),
}
_TELL_AT_MOST: Final = 3


@dataclass(frozen=True)
class Judged:
    """What is told of: a limit, its unit, which way it points, and the subject as a person calls it."""

    code: str
    unit: str
    at_least: bool
    subject: str


def number(value: float, unit: str, *, apart_from: float | None = None) -> str:
    """A value with its unit, in as many digits as the unit deserves, and more where it would else look like
    ``apart_from``.

    >>> number(1.6, "A"), number(60.0, "W"), number(1.602, "A", apart_from=1.6), number(3.0, "")
    ('1.60 A', '60 W', '1.602 A', '3')
    """
    digits, strip = _DIGITS.get(unit, (0, False) if float(value).is_integer() else (1, True))
    text = _plain(value, digits, strip)
    if apart_from is not None and not math.isclose(value, apart_from, rel_tol=1e-9):
        while text == _plain(apart_from, digits, strip) and digits < 9:
            digits += 1
            text = _plain(value, digits, strip)
    return f"{text} {unit}".strip()


def _plain(value: float, digits: int, strip: bool) -> str:
    text = f"{value:.{digits}f}"
    if strip and "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "−") if float(text) else text.removeprefix("-")


# --- what was done ------------------------------------------------------------------------------------------


def _counted(count: float, noun: str) -> str:
    amount = f"{count:g}"
    return f"{amount} {noun}" if count == 1 else f"{amount} {noun}s"


def _value(value: float | Reference | None, names: Names, unit: str = "") -> str:
    if isinstance(value, Reference):
        return names.get(value, f"{value.kind} {value.id}")
    return "unknown" if value is None else number(value, unit)


def _way(deed: Deed) -> str:
    if not isinstance(deed.before, float) or not isinstance(deed.after, float):
        return "changed"
    return "raised" if deed.after > deed.before else "lowered"


def _phrase(deed: Deed, names: Names) -> str:
    act = ACTS[deed.act]
    kind = _DEVICES[DeviceKind(deed.device_kind)]
    known = deed.before is not None or deed.after is not None
    span = (
        f" from {_value(deed.before, names, act.unit)} to {_value(deed.after, names, act.unit)}"
        if known
        else ""
    )
    thing = _value(deed.thing, names)
    if deed.before is None:
        move = f"{thing} put on {_value(deed.after, names)}"
    elif deed.after is None:
        move = f"{thing} taken off {_value(deed.before, names)}"
    else:
        move = f"{thing} moved{span}"
    return act.phrase.format(
        device=_counted(deed.count, kind),
        thing=thing,
        span=span,
        move=move,
        way=_way(deed),
        old=_value(deed.before, names) if deed.before else f"another {kind}",
        new=_value(deed.model, names) if deed.model else "model unknown",
        **{
            f"{noun}s": _counted(deed.count, noun)
            for noun in ("segment", "point", "conductor", "reading", "zone")
        },
    )


def what_was_done(deeds: Sequence[Deed], names: Names) -> str:
    """Deeds in a few words; the most telling ones where there are many."""
    told = list(dict.fromkeys(_phrase(deed, names) for deed in deeds))
    if len(told) > _TELL_AT_MOST:
        told = [*told[: _TELL_AT_MOST - 1], f"{len(told) - _TELL_AT_MOST + 1} more changes"]
    return _listed(told)


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


# --- what it led to -----------------------------------------------------------------------------------------

# Counts of what must not be: "from 0 to 1; limit 0" would tell nobody anything
_STATES: Final = {
    "row_used_twice": "{conductors} on one side of a row of {subject}",
    "polarity_reversed": "polarity reversed on {rows} of {subject}",
    "other_zone": "{devices} of another zone on {subject}",
    "address_used_twice": "{devices} with the address of {subject}",
    "audio_with_dc": "audio and DC of several zones together on {subject}",
    "wire_gauge": "wire on the block of {subject} that is too thick or too thin for it",
    "reading_disagrees": "a reading of {subject} {value:.0%} outside what its record allows",
    "cannot_compute": "{subject} impossible to compute",
}

# The same where nothing is amiss: a history also tells how it was before
_IN_ORDER: Final = {
    "row_used_twice": "one conductor at most on each side of every row of {subject}",
    "polarity_reversed": "no polarity reversed on {subject}",
    "other_zone": "no device of another zone on {subject}",
    "address_used_twice": "the address of {subject} used once",
    "audio_with_dc": "audio and DC apart on {subject}",
    "wire_gauge": "wire on the block of {subject} that fits it",
    "reading_disagrees": "every reading of {subject} within what its record allows",
    "cannot_compute": "{subject} computed",
}


def _limit(judged: Judged, figure: Figure) -> str:
    if figure.limit is None:
        return "limit unknown"
    return f"{'at least' if judged.at_least else 'limit'} {number(figure.limit, judged.unit)}"


def _shown(judged: Judged, figure: Figure) -> str:
    return number(figure.value or 0.0, judged.unit, apart_from=figure.limit)


def _state(judged: Judged, figure: Figure) -> str:
    if figure.value is None:
        return f"{judged.subject} not recorded"
    if judged.code in _STATES and figure.limit is not None and figure.value <= figure.limit:
        return _IN_ORDER[judged.code].format(subject=judged.subject)
    if judged.code in _STATES:
        nouns = {f"{noun}s": _counted(figure.value, noun) for noun in ("conductor", "row", "device")}
        return _STATES[judged.code].format(subject=judged.subject, value=figure.value, **nouns)
    return f"{judged.subject} at {_shown(judged, figure)}; {_limit(judged, figure)}"


def _led_to(judged: Judged, before: Figure, after: Figure) -> str:
    if judged.code in _STATES:
        return f"left {_state(judged, after)}"
    if before.value is None or after.value is None:
        return f"put {_state(judged, after)}"
    if math.isclose(before.value, after.value, rel_tol=1e-9, abs_tol=1e-12) and None not in (
        before.limit,
        after.limit,
    ):
        verb = "raised" if (after.limit or 0.0) > (before.limit or 0.0) else "lowered"
        word = f"{verb} {'the least that' if judged.at_least else 'what'}"
        return (
            f"{word} {judged.subject} may have from {number(before.limit or 0.0, judged.unit)} to "
            f"{number(after.limit or 0.0, judged.unit)}; it has {_shown(judged, after)}"
        )
    # In more digits where a small step would else read as none
    was = number(before.value, judged.unit, apart_from=after.value)
    now = max(_shown(judged, after), number(after.value, judged.unit, apart_from=before.value), key=len)
    return f"took {judged.subject} from {was} to {now}; {_limit(judged, after)}"


# --- who and when -------------------------------------------------------------------------------------------


def _by(info: ChangeSetInfo | None, *, day: bool = True) -> str:
    """``on 2025-03-14 by R. Ondine, job LS-2207``."""
    if info is None:
        return ""
    on = f"on {info.happened_on} " if day else ""
    return f"{on}by {info.actor}" + (f", job {info.job_reference}" if info.job_reference else "")


def _the_change(change: NamedChange, names: Names, *, first: bool) -> str:
    """One end of a range: ``the change of 2025-03-14 by R. Ondine (12 wall speakers added)``."""
    if change.as_found:
        return f"what was found on {change.day}"
    what = what_was_done(change.deeds, names)
    who = f" {_by(change.change_set, day=False)}" if change.change_set else ""
    corrected = f", corrected {_by(change.correction)}" if _is_revised(change) else ""
    details = f" ({what}{corrected})" if what else ""
    return f"{'the change of' if first else 'that of'} {change.day}{who}{details}"


def _is_revised(change: NamedChange) -> bool:
    """Work that a later correction rewrote, rather than a correction by itself."""
    return (
        change.correction is not None
        and change.change_set is not None
        and change.correction.id != change.change_set.id
    )


def sentence(attribution: Attribution, judged: Judged, names: Names) -> str:
    """What pushed the subject past its limit: one sentence without a full stop."""
    told = _told(attribution, judged, names)
    return f"{told}; whether that is past is not certain" if attribution.possible else told


def _told(attribution: Attribution, judged: Judged, names: Names) -> str:
    if attribution.since is not None and attribution.until is not None:
        return _range(attribution.since, attribution.until, judged, names)
    change = attribution.named
    if change.cause is Cause.AS_FOUND:
        return _as_found(attribution, judged)
    what = what_was_done(change.deeds, names)
    led_to = _led_to(judged, change.before, change.after)
    if change.correction is not None:
        who, why = _by(change.correction), f"“{change.correction.reason}”"
        if not _is_revised(change):
            return f"A correction of the record {who} ({why}) {led_to}"
        done = f" ({what})" if what else ""
        origin = f"the change of {change.day} {_by(change.change_set, day=False)}{done}"
        return f"The record of {origin}, as corrected {who} ({why}), {led_to}"
    if change.change_set is None:
        return f"{_capital(what or 'something changed')} on {change.day}, which {led_to}"
    return f"{_capital(what or 'a change')} {_by(change.change_set)}, {led_to}"


def _as_found(attribution: Attribution, judged: Judged) -> str:
    change = attribution.named
    when = (
        f"by the survey of {change.day}"
        if attribution.surveyed
        else f"at the end of its first day, {change.day}"
    )
    told = f"As found {when}: {_state(judged, change.after)}"
    if change.correction is not None:
        why = f"“{change.correction.reason}”"
        return f"{told}; known since the record was corrected {_by(change.correction)} ({why})"
    return told


def _range(since: NamedChange, until: NamedChange, judged: Judged, names: Names) -> str:
    start = _the_change(since, names, first=True)
    end = _the_change(until, names, first=since.as_found)
    before = since.after if since.as_found else since.before
    if judged.code in _STATES or before.value is None or until.after.value is None:
        led_to = f"came to {_state(judged, until.after)}"
        return f"Between {start} and {end} it {led_to}"
    return (
        f"Between {start} and {end}, {judged.subject} went from {number(before.value, judged.unit)} to "
        f"{_shown(judged, until.after)}; {_limit(judged, until.after)}"
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# --- as data ------------------------------------------------------------------------------------------------


def references(attribution: Attribution) -> Iterator[Reference]:
    """Everything that its sentence names."""
    for change in (attribution.named, attribution.since, attribution.until):
        if change is not None:
            for deed in change.deeds:
                yield from deed.references()


def as_data(attribution: Attribution, judged: Judged, names: Names) -> dict[str, Any]:
    """The attribution as JSON: what a program needs, with the sentence beside it."""
    named = attribution.named
    cause = named.causing
    between = None
    if attribution.since is not None and attribution.until is not None:
        between = {
            "since": _change(attribution.since, names),
            "until": _change(attribution.until, names),
        }
    found = None if named.as_found else cause
    return {
        "kind": str(named.cause),
        "sentence": sentence(attribution, judged, names),
        "change_sets": _ids(attribution),
        "day": named.day.isoformat(),
        "actor": found.actor if found else None,
        "job_reference": found.job_reference if found else None,
        "reason": found.reason if found else None,
        "what": what_was_done(named.deeds, names),
        "before": _rounded(named.before.value),
        "after": _rounded(named.after.value),
        "limit": _rounded(named.after.limit),
        "unit": judged.unit,
        "baseline": {
            "day": attribution.baseline_day.isoformat(),
            "surveyed": attribution.surveyed,
            "figure": _rounded(attribution.baseline.value),
            "limit": _rounded(attribution.baseline.limit),
        },
        "change": _change(named, names),
        "between": between,
    }


def due(sentence: str, day: str) -> dict[str, Any]:
    """An attribution to time alone: nothing was changed, a day came."""
    return {"kind": str(Cause.TIME), "sentence": sentence, "change_sets": [], "day": day, "between": None}


def unattributed(sentence: str) -> dict[str, Any]:
    """Nobody can say what brought it about."""
    return {"kind": str(Cause.UNKNOWN), "sentence": sentence, "change_sets": [], "day": None, "between": None}


def _ids(attribution: Attribution) -> list[int]:
    """The change sets that are named, each once, the causing one first."""
    changes: Iterable[NamedChange] = [
        c for c in (attribution.named, attribution.since, attribution.until) if c is not None
    ]
    infos = [info for c in changes for info in (c.correction, c.change_set) if info is not None]
    return list(dict.fromkeys(info.id for info in infos))


def _change(change: NamedChange, names: Names) -> dict[str, Any]:
    return {
        "kind": str(change.cause),
        "day": change.day.isoformat(),
        "change_set": _info(change.change_set),
        "correction": _info(change.correction),
        "what": what_was_done(change.deeds, names),
        "deeds": [_deed(deed, names) for deed in change.deeds],
        "before": _rounded(change.before.value),
        "after": _rounded(change.after.value),
        "limit": _rounded(change.after.limit),
    }


def _info(info: ChangeSetInfo | None) -> dict[str, Any] | None:
    if info is None:
        return None
    return {
        "id": info.id,
        "day": info.happened_on.isoformat(),
        "actor": info.actor,
        "job_reference": info.job_reference,
        "reason": info.reason,
    }


def _deed(deed: Deed, names: Names) -> dict[str, Any]:
    def value(of: float | Reference | None) -> Any:
        return (
            {"kind": of.kind, "id": of.id, "name": _value(of, names)}
            if isinstance(of, Reference)
            else _rounded(of)
        )

    about_devices = deed.act.startswith(("device_", "uncounted_", "count_", "tap_"))
    return {
        "act": deed.act,
        "count": deed.count,
        "device": _DEVICES[DeviceKind(deed.device_kind)] if about_devices else None,
        "model": value(deed.model),
        "thing": value(deed.thing),
        "before": value(deed.before),
        "after": value(deed.after),
    }


def _rounded(value: float | None) -> float | None:
    """Nine digits: enough for anyone, and the last bits of a sum do not make a record look changed."""
    return None if value is None or math.isnan(value) else float(f"{value:.9g}")
