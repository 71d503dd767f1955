"""Closets, the blocks in them, and the people to call."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict, Unpack

from sites.changes.operations import Use, operation
from sites.changes.work import Work, describe
from sites.models import Amplifier, Block, Closet, Contact, Endpoint, Placed, Supply, Switch

from .uses import require_unused, standing_at, used_by


class ClosetDetails(TypedDict, total=False):
    building: str
    floor: str
    room: str
    directions: str
    opened_by: str
    opening_hours: str
    key_location: str
    escort: str
    induction: str
    permits: str
    protective_equipment: str
    other_tenants: str
    dangers: str
    ladder_m: float | None
    note: str


class ClosetAltered(ClosetDetails, total=False):
    name: str


@operation("closet.add", "A closet is recorded.", use=Use.WORK)
def closet_add(work: Work, *, name: str, **details: Unpack[ClosetDetails]) -> Closet:
    return work.add(Closet(name=name, **details))


@operation("closet.alter", "What is said of a closet changes.", use=Use.ANY)
def closet_alter(work: Work, *, closet: Closet, **altered: Unpack[ClosetAltered]) -> Closet:
    work.alter(closet, altered)
    return closet


@operation("closet.end", "A closet is given up; nothing stands in it any more.")
def closet_end(work: Work, *, closet: Closet) -> Closet:
    require_unused(work, closet)
    work.end(closet)
    return closet


@used_by(Closet)
def _in_closet(work: Work, closet: Placed) -> Iterable[str]:
    for model in (Block, Supply, Amplifier, Switch, Endpoint):
        for thing in standing_at(work, model, closet_id=closet.pk):
            yield describe(thing)


class BlockDetails(TypedDict, total=False):
    row_count: int
    note: str


class BlockAltered(BlockDetails, total=False):
    name: str
    closet: Closet
    kind: Block.Kind


@operation("block.add", "A termination block is mounted.")
def block_add(
    work: Work, *, closet: Closet, name: str, kind: Block.Kind, **details: Unpack[BlockDetails]
) -> Block:
    return work.add(Block(closet=closet, name=name, kind=kind, **details))


@operation("block.alter", "What is said of a termination block changes.", use=Use.ANY)
def block_alter(work: Work, *, block: Block, **altered: Unpack[BlockAltered]) -> Block:
    work.alter(block, altered)
    return block


@operation("block.end", "A termination block is taken down.")
def block_end(work: Work, *, block: Block) -> Block:
    require_unused(work, block)
    work.end(block)
    return block


class ContactDetails(TypedDict, total=False):
    closet: Closet | None
    phone: str
    email: str
    hours: str
    note: str


class ContactAltered(ContactDetails, total=False):
    name: str
    role: Contact.Role


@operation("contact.add", "Someone is to be called.", use=Use.ANY)
def contact_add(work: Work, *, name: str, role: Contact.Role, **details: Unpack[ContactDetails]) -> Contact:
    return work.add(Contact(name=name, role=role, **details))


@operation("contact.alter", "What is said of a contact changes.", use=Use.ANY)
def contact_alter(work: Work, *, contact: Contact, **altered: Unpack[ContactAltered]) -> Contact:
    work.alter(contact, altered)
    return contact


@operation("contact.remove", "Someone is not to be called any more.", use=Use.ANY)
def contact_remove(work: Work, *, contact: Contact) -> Contact:
    work.remove(contact)
    return contact
