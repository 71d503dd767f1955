"""One gate an object: the only way from an id in an address or a body to a row.

Absent and forbidden are one answer, the same `NotFound`, so an answer
reveals nothing of other customers. Zones and what is connected to them have their gates in `zones.gates`."""

from __future__ import annotations

from copy import copy
from typing import Generic, TypeVar

from django.db.models import Model
from django.http import Http404

from sites.models import (
    Amplifier,
    Block,
    CableType,
    ChangeSet,
    Closet,
    Contact,
    Contract,
    Customer,
    DeviceModel,
    Endpoint,
    Instrument,
    Output,
    Secret,
    SecretReveal,
    Site,
    Supply,
    Switch,
    SwitchPort,
    User,
)
from sites.once import once

from .scope import Scope, scoped
from .selectors import Principal

M = TypeVar("M", bound=Model)


class NotFound(Http404):
    """The thing does not exist, or is not in the caller's scope; callers cannot tell which."""

    def __init__(self) -> None:
        super().__init__("There is nothing here that you can see.")


class Gate(Generic[M]):
    """Leads from an id to a row of `model` that is in scope; `related` comes with it in the same query."""

    def __init__(self, model: type[M], *related: str) -> None:
        self.model = model
        self.related = related

    def __call__(self, *, principal: Principal, id: int) -> M:  # noqa: A002 - it is the id of an address
        row = _row(self, principal.scope, id)
        if row is None:
            raise NotFound
        # Who asked may note more on it
        return copy(row)


@once
def _row(gate: Gate[M], scope: Scope, row_id: int) -> M | None:
    rows = scoped(gate.model, scope).filter(pk=row_id)
    return (rows.select_related(*gate.related) if gate.related else rows).first()


class KeptSecretGate(Gate[Secret]):
    """Lets codes through that are still kept; a removed row holds none."""

    def __call__(self, *, principal: Principal, id: int) -> Secret:  # noqa: A002 - it is the id of an address
        secret = super().__call__(principal=principal, id=id)
        if secret.removed_at is not None:
            raise NotFound
        return secret


customer_for = Gate(Customer)
contract_for = Gate(Contract, "customer")
site_for = Gate(Site, "customer")
closet_for = Gate(Closet, "site__customer")
contact_for = Gate(Contact, "site")
secret_for = KeptSecretGate(Secret, "site", "written_by")
secret_reveal_for = Gate(SecretReveal, "secret", "user")
switch_for = Gate(Switch, "site", "closet")
switch_port_for = Gate(SwitchPort, "site", "switch")
endpoint_for = Gate(Endpoint, "site", "closet")
output_for = Gate(Output, "site", "endpoint")
supply_for = Gate(Supply, "site", "closet")
amplifier_for = Gate(Amplifier, "site", "closet")
block_for = Gate(Block, "site")
change_set_for = Gate(ChangeSet, "site")
user_for = Gate(User)
device_model_for = Gate(DeviceModel)
cable_type_for = Gate(CableType)
instrument_for = Gate(Instrument)
