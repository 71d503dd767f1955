"""Attributions in sentences, and as the API and events show them.

Pure: names come in as a mapping from references to what people call the thing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from sites.models import CableType, DeviceModel
from sites.wording import by_whom, capital, counted, listed, plural
from zones.electrical.bands import DeviceKind
from zones.electrical.estimates import Estimate
from zones.electrical.plant import Signal
from zones.limits.amounts import amount
from zones.limits.limit import Limit

from .baselines import Since
from .change_types import CHANGE_TYPES
from .changes_at_step import ChangeAtStep, Reference
from .corrections import Corrected
from .named_changes import Attribution, Cause, NamedChange, Record, rounded

if TYPE_CHECKING:
    from zones.plant.change_sets import ChangeSetInfo

Names = Mapping[tuple[str, int], str]
"""By reference, what people call the thing."""

DEVICES: Final = {
    DeviceKind.UNKNOWN: "device",
    DeviceKind.CEILING_SPEAKER: "ceiling speaker",
    DeviceKind.WALL_SPEAKER: "wall speaker",
    DeviceKind.HORN: "horn",
}
_NAME_AT_MOST: Final = 3
TITLE_LENGTH: Final = 80


def title(site_code: str, limit: Limit, subject: str, one: Estimate) -> str:
    """``merrow-harbour supply PS-1: 1.83 A, limit 1.60 A``, in at most 80 characters. What is too long loses
    whole words from its end: first the subject, then the site; figure and limit stay."""
    whole = f"{site_code} {limit.clause(subject, one)}"
    if len(whole) <= TITLE_LENGTH:  # as most are
        return whole
    both = list(itertools.product(_shortened(site_code, "-"), _shortened(subject, " ")))
    # a site or a thing without a word left comes last
    both.sort(key=lambda names: names.count("…"))
    for clause in (limit.clause, lambda name, _: f"{name}: {limit.title.lower()}"):
        for site, name in both:
            said = f"{site} {clause(name, one)}"
            if len(said) <= TITLE_LENGTH:
                return said
    raise AssertionError("a limit has a title of more than 40 characters")


def _shortened(text: str, between: str) -> list[str]:
    """A text, then without its last word, and so on; at last an ellipsis alone."""
    words = text.split(between)
    return [text, *(between.join([*words[:count], "…"]) for count in reversed(range(len(words))))]


# --- what was done ------------------------------------------------------------------------------------------


class _Count(float):
    """A number that is formatted with its noun: ``{count:segment}``."""

    def __format__(self, noun: str) -> str:
        return counted(float(self), noun)


class _Of(float):
    """The same without the number: ``{of:tap}``."""

    def __format__(self, noun: str) -> str:
        return plural(float(self), noun)


def _value(value: float | Reference | None, names: Names, unit: str = "", length_unit: str = "m") -> str:
    if isinstance(value, Reference):
        if value.kind == "kind":
            return DEVICES[DeviceKind(value.id)]
        if value.kind == "signal":
            return Signal(value.id).name.lower()
        return names.get(value, f"{value.kind} {value.id}")
    return "not recorded" if value is None else amount(value, unit, length_unit=length_unit)


def _things(type_: str) -> tuple[str, str]:
    """The noun of what a type of change is made to, as its name begins, and its plural."""
    if type_.startswith("other_load"):
        return "port", "ports"
    noun = type_.split("_")[0].replace("address", "endpoint")
    return noun, {"supply": "supplies", "switch": "switches"}.get(noun, f"{noun}s")


def _phrase(change: ChangeAtStep, names: Names, length_unit: str) -> str:
    type_ = CHANGE_TYPES[change.type]
    before, after = (_value(value, names, type_.unit, length_unit) for value in (change.before, change.after))
    kind, thing = DEVICES[DeviceKind(change.device_kind)], _value(change.thing, names)
    several = change.thing is None and change.count > 1
    if several:
        thing = counted(change.count, *_things(change.type))
    span = f" from {before} to {after}" if (change.before, change.after) != (None, None) else ""
    way = "changed"
    if isinstance(change.before, float) and isinstance(change.after, float):
        way = "raised" if change.after > change.before else "lowered"
    move = f"{thing} moved{span}"
    if change.before is None and not several:
        move = f"{thing} connected to {after}"
    elif change.after is None and not several:
        move = f"{thing} disconnected from {before}"
    return type_.phrase.format(
        device=counted(change.count, kind),
        thing=thing,
        span=span,
        move=move,
        way=way,
        old=before if change.before is not None else kind,
        new=_value(change.model, names) if change.model else "model not recorded",
        count=_Count(change.count),
        of=_Of(change.count),
    )


def phrases_of(changes: Sequence[ChangeAtStep], names: Names, length_unit: str = "m") -> list[str]:
    """Changes in words, one phrase each; those of which all but the count reads alike are taken together.
    length_unit: in which the site counts."""
    if len(changes) == 1:
        return [_phrase(changes[0], names, length_unit)]
    alike: dict[str, ChangeAtStep] = {}
    for change in changes:
        without_count = _phrase(replace(change, count=2.0), names, length_unit)
        known = alike.get(without_count)
        alike[without_count] = change if known is None else replace(known, count=known.count + change.count)
    return [_phrase(change, names, length_unit) for change in alike.values()]


def what_was_done(changes: Sequence[ChangeAtStep], names: Names, length_unit: str = "m") -> str:
    """Changes in a few words; the first ones where there are many."""
    phrases = phrases_of(changes, names, length_unit)
    if len(phrases) > _NAME_AT_MOST:
        more = len(phrases) - _NAME_AT_MOST + 1
        phrases = [*phrases[: _NAME_AT_MOST - 1], counted(more, "more change")]
    return listed(phrases)


# --- what it led to -----------------------------------------------------------------------------------------


def _state(limit: Limit, subject: str, figure: Estimate) -> str:
    if limit.past:
        return limit.clause(subject, figure)
    shown = limit.estimate_text(figure, apart_from=figure.limit)
    return f"{subject} at {shown}; {limit.limit_text(figure.limit)}"


def _led_to(limit: Limit, subject: str, before: Estimate, after: Estimate) -> str:
    if limit.past or before.value is None or after.value is None:
        return _state(limit, subject, after)
    if math.isclose(before.value, after.value, rel_tol=1e-8, abs_tol=1e-12) and (
        before.limit is not None and after.limit is not None
    ):
        word = "minimum" if limit.is_minimum else "limit"
        way = "raised" if after.limit > before.limit else "lowered"
        return (
            f"{word} of {subject} {way} from {limit.number(before.limit)} to {limit.number(after.limit)}; "
            f"figure {limit.figure_text(after.value, apart_from=after.limit)}"
        )
    # In more digits where a small step would else read as none
    was = limit.figure_text(before.value, apart_from=after.value)
    if before.limit != after.limit and before.limit is not None and after.limit is not None:
        was += f" ({limit.limit_text(before.limit)})"
    now = max(
        (limit.figure_text(after.value, apart_from=other) for other in (after.limit, before.value)), key=len
    )
    return f"{subject} went from {was} to {now}; {limit.limit_text(after.limit)}"


# --- who and when -------------------------------------------------------------------------------------------


def who_and_when(info: ChangeSetInfo | None, *, day: bool = True) -> str:
    """``on 2025-03-14 by Hallam Crew, job T-2207, recorded by R. Ondine``."""
    if info is None:
        return ""
    on = f"on {info.happened_on} " if day else ""
    job = f"job {info.job_reference}" if info.job_reference else ""
    return f"{on}by {by_whom(info.done_by, info.actor, job)}"


# By ``Corrected.what``: what was corrected, and how that is said: "lengths were measured", "lengths measured"
_CORRECTED: Final = {
    "lengths_measured": ("lengths", "were", "measured"),
    "lengths": ("lengths", "were", "corrected"),
    "currents_measured": ("currents", "were", "measured"),
    "currents": ("currents", "were", "corrected"),
    "counts": ("devices", "were", "counted"),
    "signals": ("signals of zones", "were", "corrected"),
    "record": ("the record", "was", "corrected"),
}


def _correction(info: ChangeSetInfo, said: Corrected | None, names: Names, *, past: bool) -> str:
    """``lengths were measured on 2026-02-01 by P. Vale``; as a note, without "were"."""
    if said is not None and said.model is not None:
        what, verb, done = _rating(said, names), "was", f"corrected{_from_to(said)}"
    else:
        what, verb, done = _CORRECTED["record" if said is None else said.what]
    if not past:
        what, verb = what.removeprefix("the "), ""
    text = " ".join(filter(None, (what, verb, done, who_and_when(info))))
    return f"{text} (“{info.reason}”)" if done == "corrected" else text


def _field(said: Corrected) -> Any:
    """The rating of the catalogue that was edited; None where it is not a number."""
    assert said.model is not None
    model = DeviceModel if said.model.kind == "model" else CableType
    return model._meta.get_field(said.field) if said.field else None


def _rating(said: Corrected, names: Names) -> str:
    """``the full output current of WS-8``."""
    field = _field(said)
    return f"the {'entry' if field is None else field.verbose_name} of {_value(said.model, names)}"


def _from_to(said: Corrected) -> str:
    """`` from 50 to 120 mA``."""
    if not said.field:
        return ""
    unit, values = getattr(_field(said), "unit", ""), [said.before, said.after]
    if unit == "A" and all(value is None or value < 1 for value in values):
        unit, values = "mA", [None if value is None else 1000 * value for value in values]
    before, after = ("not recorded" if value is None else f"{value:.6g}" for value in values)
    return f" from {before} to {after}" + (f" {unit}" if unit and said.after is not None else "")


def _known_since(change: NamedChange, names: Names) -> str:
    if change.correction is None:
        return ""
    return f"known since {_correction(change.correction, change.corrected, names, past=True)}"


def _note(change: NamedChange, names: Names) -> str:
    return "" if change.note is None else _correction(change.note, change.noted, names, past=False)


def _end(change: NamedChange, names: Names, length_unit: str) -> str:
    """One end of a range: ``2025-03-14 (12 wall speakers added by R. Ondine)``."""
    known = _known_since(change, names)
    if change.as_found:
        found = f"what was found on {change.day}"
        return f"{found} ({known})" if known else found
    what = what_was_done(change.changes, names, length_unit)
    done = " ".join(part for part in (what, who_and_when(change.change_set, day=False)) if part)
    if not change.is_revised:
        known = ""
    details = "; ".join(part for part in (done, known, _note(change, names)) if part)
    return f"{change.day} ({details})" if details else str(change.day)


def sentence(attribution: Attribution, limit: Limit, subject: str, names: Names) -> str:
    """What pushed the subject past its limit: one sentence without a full stop."""
    if attribution.since is not None and attribution.until is not None:
        text = _range(attribution.since, attribution.until, limit, subject, names)
    elif attribution.named.as_found:
        text = _as_found(attribution, limit, subject, names)
    else:
        text = f"{_done(attribution.named, names, limit.length_unit)}: " + _led_to(
            limit, subject, attribution.named.before, attribution.named.after
        )
    return f"{text}; it may not {_CROSS[limit.is_minimum]}" if attribution.possible else text


_FOUND: Final = {
    Since.SURVEY: "As found by the survey of {day}",
    Since.COMMISSIONING: "As found at commissioning on {day}",
    Since.FIRST_DAY: "As found on the first day, {day}",
}
_NOT_IN_SERVICE: Final = {
    Since.SURVEY: "Before the survey of {day}",
    Since.COMMISSIONING: "Before commissioning on {day}",
    Since.FIRST_DAY: "On the first day, {day}",
}
_CROSS: Final = {False: "exceed the limit", True: "fall below the minimum"}


def _done(change: NamedChange, names: Names, length_unit: str) -> str:
    """What was done, when, by whom, under which job."""
    if change.correction is not None and not change.is_revised:
        return capital(_correction(change.correction, change.corrected, names, past=False))
    what = what_was_done(change.changes, names, length_unit) or "record changed"
    # the day of a test is not the one on which it was recorded
    who = f"on {change.day} {who_and_when(change.change_set, day=False)}".rstrip()
    known = _known_since(change, names) if change.is_revised else ""
    return capital(", ".join(filter(None, (f"{what} {who}", known, _note(change, names)))))


def _as_found(attribution: Attribution, limit: Limit, subject: str, names: Names) -> str:
    change = attribution.named
    when = (_FOUND if attribution.in_service else _NOT_IN_SERVICE)[attribution.found]
    text = f"{when.format(day=change.day)}: {_state(limit, subject, change.after)}"
    return "; ".join(filter(None, (text, _known_since(change, names), _note(change, names))))


def _range(since: NamedChange, until: NamedChange, limit: Limit, subject: str, names: Names) -> str:
    first, last = (_end(one, names, limit.length_unit) for one in (since, until))
    between = f"Between {first} and {last}"
    before = since.after if since.as_found else since.before
    return f"{between}: {_led_to(limit, subject, before, until.after)}"


# --- as the API and events show it --------------------------------------------------------------------------


def as_shown(
    record: Record, attribution: Attribution | None, limit: Limit, subject: str, names: Names
) -> dict[str, Any]:
    """A stored attribution, rendered. attribution: what ``Attribution.of_record`` made of it."""
    shown: dict[str, Any] = {
        "cause": record["kind"],
        "change_set_ids": record["change_sets"],
        "day": record["day"],
        "change": None,
        "between": None,
        "baseline": None if attribution is None else attribution.baseline_record(),
    }
    if record["kind"] == Cause.TIME:
        return {**shown, "sentence": f"Due on {record['day']}, and not done since"}
    if attribution is None:
        return {**shown, "sentence": f"No recorded change explains it for {subject}"}
    if attribution.since is not None and attribution.until is not None:
        ends = {"since": attribution.since, "until": attribution.until}
        shown["between"] = {name: _change_shown(end, limit, names) for name, end in ends.items()}
    return {
        **shown,
        "sentence": sentence(attribution, limit, subject, names),
        "change": _change_shown(attribution.named, limit, names),
    }


def _change_shown(change: NamedChange, limit: Limit, names: Names) -> dict[str, Any]:
    return {
        "cause": str(change.cause),
        "day": change.day.isoformat(),
        "what": what_was_done(change.changes, names, limit.length_unit),
        "changes": [_at_step_shown(one, names) for one in change.changes],
        "change_set": _change_set_shown(change.change_set),
        "correction": _change_set_shown(change.correction),
        "note": _change_set_shown(change.note),
        "before": rounded(change.before.value),
        "after": rounded(change.after.value),
        "limit": rounded(change.after.limit),
    }


def _at_step_shown(change: ChangeAtStep, names: Names) -> dict[str, Any]:
    values = {"before": change.before, "after": change.after}
    return {
        "type": change.type,
        "count": change.count,
        "device_kind": DEVICES[DeviceKind(change.device_kind)],
        "model": _named(change.model, names),
        "thing": _named(change.thing, names),
        **{name: value if isinstance(value, float) else None for name, value in values.items()},
        **{f"{name}_thing": _named(value, names) for name, value in values.items()},
    }


def _named(value: float | Reference | None, names: Names) -> dict[str, Any] | None:
    if not isinstance(value, Reference):
        return None
    return {"kind": value.kind, "id": value.id, "name": _value(value, names)}


def _change_set_shown(info: ChangeSetInfo | None) -> dict[str, Any] | None:
    if info is None:
        return None
    return {
        "id": info.id,
        "day": info.happened_on.isoformat(),
        "actor": info.actor,
        "done_by": info.done_by,
        "job_reference": info.job_reference,
        "reason": info.reason,
    }
