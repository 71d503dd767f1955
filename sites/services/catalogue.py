"""The catalogue that all sites share. A rating holds for the whole life of a model, so its edit is a
correction of each site that uses what was edited: a change set of kind *catalogue* there, which the database
makes (``sites/changes/sql_v2/catalogue.py``)."""

from __future__ import annotations

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.models import CableType, DeviceModel, Factor

from .usual import Usual

_DEVICE_MODEL = Usual(DeviceModel)
device_model_add = _DEVICE_MODEL.adds("A device model is added to the catalogue.", "name", "kind")
device_model_alter = _DEVICE_MODEL.alters("What the catalogue says of a device model was wrong.")

_CABLE_TYPE = Usual(CableType)
cable_type_add = _CABLE_TYPE.adds("A cable type is added to the catalogue.", "name")
cable_type_alter = _CABLE_TYPE.alters("What the catalogue says of a cable type was wrong.")


@operation(
    "factor.set", "A factor of the computation is set to another value.", of=Factor, use=Use.ANY, shared=True
)
def factor_set(work: Work, /, *, name: str, value: float) -> Factor:
    factor = Factor.objects.filter(name=name).first()
    if factor is None:
        factor = work.add(Factor(name=name, value=value))
    else:
        work.alter(factor, {"value": value})
    return factor


@operation(
    "factor.unset",
    "A factor of the computation is reset to its default.",
    of=Factor,
    use=Use.ANY,
    shared=True,
)
def factor_unset(_work: Work, /, *, name: str) -> str:
    if not Factor.objects.filter(name=name).exists():
        raise refuse(f"Factor {name} has its default already.", code="not_found", path="/name")
    Factor.objects.filter(name=name).delete()
    return name
