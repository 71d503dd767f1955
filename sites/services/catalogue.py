"""The catalogue that all sites share. A rating holds for the whole life of a model, so its edit is a
correction of each site that uses what was edited: a change set of kind *catalogue* there."""

from __future__ import annotations

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.models import CableType, DeviceModel, Factor, Site
from sites.models.changes import ChangeSet, Mark
from sites.wording import shortened

from .usual import Usual


def _correct_its_users(work: Work, row: DeviceModel | CableType) -> None:
    _correct_users(work, f"{row._meta.verbose_name} {row.name}")


_DEVICE_MODEL = Usual(DeviceModel)
device_model_add = _DEVICE_MODEL.adds("A device model comes into the catalogue.", "name", "kind")
device_model_alter = _DEVICE_MODEL.alters(
    "What the catalogue says of a device model was wrong.", then=_correct_its_users
)

_CABLE_TYPE = Usual(CableType)
cable_type_add = _CABLE_TYPE.adds("A cable type comes into the catalogue.", "name")
cable_type_alter = _CABLE_TYPE.alters(
    "What the catalogue says of a cable type was wrong.", then=_correct_its_users
)


@operation(
    "factor.set", "A factor of the computation is set to another value.", of=Factor, use=Use.ANY, shared=True
)
def factor_set(work: Work, /, *, name: str, value: float) -> Factor:
    factor = Factor.objects.filter(name=name).first()
    if factor is None:
        factor = work.add(Factor(name=name, value=value))
    else:
        work.alter(factor, {"value": value})
    _correct_users(work, f"factor {name}")
    return factor


@operation(
    "factor.unset",
    "A factor of the computation goes back to its default.",
    of=Factor,
    use=Use.ANY,
    shared=True,
)
def factor_unset(work: Work, /, *, name: str) -> str:
    if not Factor.objects.filter(name=name).exists():
        raise refuse(f"Factor {name} has its default already.", code="not_found", path="/name")
    Factor.objects.filter(name=name).delete()
    _correct_users(work, f"factor {name}")
    return name


def _correct_users(work: Work, what: str) -> None:
    """A correction of each site that uses what was edited, so that its figures name what changed them.

    The sites are those that the database has just marked, in the bulk lane; their rows are locked in the
    order of their ids, as everyone does who writes several sites.
    """
    main = work.change_set
    marked = Mark.objects.filter(change_set=main).values("site_id")
    sites = Site.objects.filter(pk__in=marked).order_by("pk").only("pk")
    longest = ChangeSet._meta.get_field("reason").max_length or 0
    rows = [
        ChangeSet(
            site=site,
            state=ChangeSet.State.ACCEPTED,
            kind=ChangeSet.Kind.CATALOGUE,
            channel=main.channel,
            user=main.user,
            accepted_by=main.accepted_by,
            actor=main.actor,
            done_by=main.done_by,
            reason=shortened(f"{what}: {main.reason}", longest),
            job_reference=main.job_reference,
            operations=[{"op": "catalogue.follow", "change_set": main.pk, "what": what}],
        )
        for site in sites
    ]
    ChangeSet.objects.bulk_create(rows, batch_size=1000)
