"""The four ways into the record, each given the same attempt: REST, a draft, as-built files, raw SQL."""

from __future__ import annotations

import datetime as dt
import enum
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from django.db import DataError, IntegrityError, connection, models
from django.test import Client

from sites.changes.errors import ChangeRefused
from sites.changes.services import Change, open_change_set
from sites.changes.steps import last_step_of
from sites.models import Site
from sites.models.changes import ChangeSet
from tests.rules.plant import NOW, SITE, Ref, row_of
from tests.zones.asbuilt.folders import take
from zones.asbuilt.cells import Estimate, Quantity, Word
from zones.asbuilt.formats import BY_NAME, FileKind
from zones.asbuilt.formats.landings import PAIRS
from zones.asbuilt.problems import sentence_of
from zones.models import Landing, PagingSetZone

_ADDED_BY = {
    "device_models": "device_model.add", "cable_types": "cable_type.add", "closets": "closet.add",
    "switches": "switch.add", "endpoints": "endpoint.add", "supplies": "supply.add",
    "amplifiers": "amplifier.add", "blocks": "block.add", "zones": "zone.add", "runs": "run.add",
    "points": "point.append", "landings": "landing.add", "tests": "test.record", "visits": "visit.record",
    "zone_endpoints": "zone_endpoint.add", "outputs": "output.add", "paging_sets": "paging_set.add",
}  # fmt: skip
_OF_SITE = ("closets", "endpoints", "zones")
_ADDRESS = {"device_models": "catalogue/devices", "cable_types": "catalogue/cables"}


@dataclass(frozen=True)
class Attempt:
    """A thing of a kind is added with ``values``, by fields of the record; or ``ended`` is ended; or
    ``altered`` has the values from the day on; or, ``as_correction``, is said to have had them all along."""

    label: str
    kind: str
    values: Mapping[str, Any] = field(default_factory=dict)
    ended: Ref | None = None
    altered: Ref | None = None
    as_correction: bool = False

    def but(self, label: str, **values: Any) -> Attempt:
        return replace(self, label=label, values={**self.values, **values})

    @property
    def operation(self) -> str:
        """As drafts name it."""
        added = _ADDED_BY[self.kind]
        thing = added.split(".")[0]
        if self.ended is not None:
            return f"{thing}.end"
        if self.altered is not None:
            return f"{thing}.correct" if self.as_correction else f"{thing}.alter"
        return added


class Channels:
    """Takes attempts through each channel. Each answers what is wrong; nothing where it was accepted."""

    def __init__(self, client: Client) -> None:
        self._client = client

    # -- REST

    def rest(self, attempt: Attempt) -> str:
        change = {"reason": "as seen", "happened_on": NOW.isoformat()}
        if BY_NAME[attempt.kind].sited is False:
            del change["happened_on"]
        address = f"/api/v1/{_ADDRESS.get(attempt.kind, attempt.kind.replace('_', '-'))}"
        if attempt.ended is not None:
            address = f"{address}/{attempt.ended.row().pk}"
            etag = self._client.get(address)["ETag"]
            answer = self._client.delete(
                address, {"change": change}, content_type="application/json", headers={"If-Match": etag}
            )
        elif attempt.altered is not None:
            address = f"{address}/{attempt.altered.row().pk}"
            etag = self._client.get(address)["ETag"]
            body = {_outer(name, value): _json(value) for name, value in attempt.values.items()}
            if attempt.as_correction:
                address, change = f"{address}/correct", {"reason": "as seen"}
            send = self._client.post if attempt.as_correction else self._client.patch
            answer = send(
                address,
                {**body, "change": change},
                content_type="application/json",
                headers={"If-Match": etag},
            )
        else:
            body = {_outer(name, value): _json(value) for name, value in _spoken(attempt).items()}
            if attempt.kind in _OF_SITE:
                body["site_id"] = _site().pk
            answer = self._client.post(address, {**body, "change": change}, content_type="application/json")
        # 404: no such address, which refuses nothing
        assert answer.status_code < 500, answer.content
        assert answer.status_code != 404, answer.content
        return "" if answer.status_code < 300 else answer.content.decode()

    # -- drafts

    def draft(self, attempt: Attempt) -> str:
        name, values = attempt.operation, _spoken(attempt)
        if (thing := attempt.ended or attempt.altered) is not None:
            values |= {name.split(".")[0]: thing}
        body = {"op": name} | {_outer(key, value): _json(value) for key, value in values.items()}
        asked: dict[str, Any] = {"reason": "as seen", "operations": [body]}
        if BY_NAME[attempt.kind].sited:
            asked |= {"site_id": _site().pk, "happened_on": NOW.isoformat()}
        if attempt.as_correction:
            del asked["happened_on"]
        answer = self._client.post("/api/v1/change-sets", asked, content_type="application/json")
        assert answer.status_code < 500, answer.content
        return "" if answer.status_code < 300 else answer.content.decode()

    # -- as-built files

    def asbuilt(self, attempt: Attempt) -> str:
        kind = BY_NAME[attempt.kind]
        if attempt.ended is not None:
            cells = row_of(attempt.ended) | {"ends": "now"}
        elif attempt.altered is not None:
            cells = row_of(attempt.altered) | _cells(kind, attempt) | {"change": "now"}
        else:
            cells = _cells(kind, attempt)
            if kind.recorded:
                cells["change"] = "now"
        folder = {attempt.kind: [cells]}
        if kind.sited:
            cells["site"] = SITE
            folder["changes"] = [
                {
                    "site": SITE,
                    "change": "now",
                    "day": NOW.isoformat(),
                    "person": "Ida Vole",
                    "reason": "as seen",
                }
            ]
        try:
            take(folder)
        except ChangeRefused as refused:
            return "; ".join(map(sentence_of, refused.problems))
        return ""

    # -- raw SQL

    def sql(self, attempt: Attempt) -> str:
        kind = BY_NAME[attempt.kind]
        change = Change(
            site_id=_site().pk if kind.sited else None,
            user=None,
            actor="Ida Vole",
            reason="as seen",
            happened_on=NOW,
            channel=ChangeSet.Channel.SQL,
        )
        try:
            with open_change_set(change) as change_set:
                if attempt.ended is not None:
                    row = attempt.ended.row()
                    with connection.cursor() as cursor:
                        cursor.execute(
                            f'UPDATE "{row._meta.db_table}" SET end_step = zonebook_step(), '
                            "change_set_id = zonebook_change_set() WHERE id = %s",
                            [row.pk],
                        )
                elif attempt.altered is not None:
                    _insert_facts(kind, attempt, change_set)
                elif attempt.kind == "landings":
                    _insert_landings(attempt, change_set)
                else:
                    _insert_thing(kind, attempt, change_set)
        except (IntegrityError, DataError) as refused:
            return str(refused)
        return ""


def _site() -> Site:
    return Site.objects.get(code=SITE)


def _spoken(attempt: Attempt) -> dict[str, Any]:
    """The values as operations take them: what follows from others is not said."""
    return {name: value for name, value in attempt.values.items() if name != "side"}


def _json(value: Any) -> Any:
    if isinstance(value, list):
        return [_json(one) for one in value]
    if isinstance(value, Ref):
        return value.row().pk
    if isinstance(value, models.IntegerChoices):
        return str(value.label).replace(" ", "_")
    if isinstance(value, enum.Enum):
        return value.value
    return value.isoformat() if isinstance(value, dt.date) else value


def _outer(name: str, value: Any) -> str:
    if name == "zones":
        return "zone_ids"
    return f"{name}_id" if isinstance(value, Ref) else name


def _cells(kind: FileKind, attempt: Attempt) -> dict[str, str]:
    values = dict(attempt.values)
    cells: dict[str, str] = {}
    if kind.name == "landings":
        values["row"] = (values["row"], values["row"] + 1)
        cells["row"] = f"{values['row'][0]}-{values['row'][1]}"
        del values["row"]
    if any(name in values for name in ("count_low", "count_likely", "count_high")):
        counts = [values.pop(name, None) for name in ("count_low", "count_likely", "count_high")]
        cells["count"] = "?" if None in counts else f"~{counts[1]} ({counts[0]}-{counts[2]})"
    for name, value in values.items():
        reference = kind.reference(name)
        if reference is not None:
            named = value.names if isinstance(value, Ref) else [""] * len(reference.columns)
            cells |= dict(zip(reference.columns, map(str, named), strict=True))
            continue
        if name == "zones":
            cells[name] = kind.by_name[name].cell.write([zone.names[0] for zone in value])
            continue
        column = next(one for one in kind.columns if one.attribute == name)
        cells[column.name] = _cell(column.cell, value)
    return cells


def _cell(cell: Any, value: Any) -> str:
    if value is None or value in ("", []):
        return ""
    if isinstance(cell, Word):
        return next((word for word, known in cell.values.items() if known == value), str(value))
    if isinstance(cell, Quantity):
        return cell.write(Estimate(value))
    return str(value) if isinstance(value, (int, float)) else str(cell.write(value))


# --- rows ---------------------------------------------------------------------------------------------------


def _insert_thing(kind: FileKind, attempt: Attempt, change_set: ChangeSet) -> None:
    written: dict[str, Any] = {"change_set_id": change_set.pk}
    if kind.sited:
        written["site_id"] = change_set.site_id
    values = {_outer(name, value): _plain(value) for name, value in attempt.values.items()}
    assert kind.model is not None
    own = {name: value for name, value in values.items() if name in _columns(kind.model)} | written
    if kind.placed:
        own["begin_step"] = change_set.step
    if kind.name == "tests":
        own["step"] = last_step_of(own["taken_on"])
    if kind.name == "points":
        own |= {"rank": 9.0}
    thing = _insert(kind.model, own)
    for zone in values.get("zone_ids", []):
        _insert(PagingSetZone, written | {"paging_set_id": thing, "zone_id": zone.row().pk})
    if kind.facts is None:
        return
    facts = {name: value for name, value in values.items() if name in _columns(kind.facts)} | written
    facts |= {f"{kind.facts_of}_id": thing, "step": change_set.step}
    if kind.name == "points":
        facts |= {"rank": 9.0, "run_id": values["run_id"]}
        facts = _device_kind(attempt) | facts
    if kind.name == "endpoints" and "port_id" in facts:
        facts.setdefault("power_source", "port")
    _insert(kind.facts, facts)


def _device_kind(attempt: Attempt) -> dict[str, int]:
    """What a point's model says that it is."""
    model = attempt.values.get("model") if attempt.kind == "points" else None
    known = {"a ceiling_speaker": 1, "a wall_speaker": 2, "a horn": 3}
    return {} if model is None else {"device_kind": known.get(model.names[0], 0)}


def _insert_facts(kind: FileKind, attempt: Attempt, change_set: ChangeSet) -> None:
    """The last facts of the thing once more, with other values."""
    assert attempt.altered is not None
    assert kind.facts is not None
    thing = {f"{kind.facts_of}_id": attempt.altered.row().pk}
    last = kind.facts._default_manager.filter(**thing).order_by("step").last()
    assert last is not None
    fields = kind.facts._meta.concrete_fields
    facts: dict[str, Any] = {str(one.column): getattr(last, one.attname) for one in fields}
    facts |= _device_kind(attempt)
    facts |= {_outer(name, value): _plain(value) for name, value in attempt.values.items()}
    facts.pop("id", None)
    _insert(kind.facts, facts | {"step": change_set.step, "change_set_id": change_set.pk})


def _insert_landings(attempt: Attempt, change_set: ChangeSet) -> None:
    values = {_outer(name, value): _plain(value) for name, value in attempt.values.items()}
    for place, carries in enumerate(PAIRS[values["carries"]]):
        _insert(
            Landing,
            values
            | {
                "row": values["row"] + place,
                "carries": carries,
                "conductor": ("first", "second")[place],
                "site_id": change_set.site_id,
                "change_set_id": change_set.pk,
                "begin_step": change_set.step,
            },
        )


def _plain(value: Any) -> Any:
    return value.row().pk if isinstance(value, Ref) else value


def _columns(model: type[models.Model]) -> set[str]:
    return {str(field.column) for field in model._meta.concrete_fields}


def _insert(model: type[models.Model], values: Mapping[str, Any]) -> int:
    """One INSERT; what is not given has the default of its field."""
    filled = {}
    for one in model._meta.concrete_fields:
        column = str(one.column)
        if column in values:
            filled[column] = one.get_db_prep_save(values[column], connection)
        elif column != "id" and not one.has_db_default():
            filled[column] = one.get_db_prep_save(one.get_default(), connection)
    columns = ", ".join(f'"{name}"' for name in filled)
    marks = ", ".join(["%s"] * len(filled))
    returning = "RETURNING id" if model._meta.pk.name == "id" else ""
    with connection.cursor() as cursor:
        cursor.execute(
            f'INSERT INTO "{model._meta.db_table}" ({columns}) VALUES ({marks}) {returning}',
            list(filled.values()),
        )
        return int(cursor.fetchone()[0]) if returning else 0
