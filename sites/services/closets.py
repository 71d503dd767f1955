"""Closets, the blocks in them, and the people to call."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sites.changes.operations import Use, operation
from sites.changes.work import Work, describe
from sites.fields import facts_of
from sites.models import Amplifier, Block, Closet, Contact, Endpoint, Placed, Supply, Switch

from .uses import require_unused, standing_at, used_by


@operation("closet.add", "A closet is recorded.", of=Closet, takes=facts_of(Closet, "name"))
def closet_add(work: Work, /, *, name: str, **given: Any) -> Closet:
    return work.add(Closet(name=name, **given))


@operation(
    "closet.alter", "What is said of a closet changes.", of=Closet, takes=facts_of(Closet), use=Use.ANY
)
def closet_alter(work: Work, /, *, closet: Closet, **given: Any) -> Closet:
    work.alter(closet, given)
    return closet


@operation("closet.end", "A closet is given up; nothing stands in it any more.")
def closet_end(work: Work, /, *, closet: Closet) -> Closet:
    require_unused(work, closet)
    work.end(closet)
    return closet


@used_by(Closet)
def _in_closet(work: Work, closet: Placed) -> Iterable[str]:
    for model in (Block, Supply, Amplifier, Switch, Endpoint):
        for thing in standing_at(work, model, closet_id=closet.pk):
            yield describe(thing)


@operation(
    "block.add",
    "A termination block is mounted.",
    of=Block,
    takes=facts_of(Block, "closet", "name", "kind"),
)
def block_add(work: Work, /, *, closet: Closet, name: str, kind: Block.Kind, **given: Any) -> Block:
    return work.add(Block(closet=closet, name=name, kind=kind, **given))


@operation(
    "block.alter",
    "What is said of a termination block changes.",
    of=Block,
    takes=facts_of(Block),
    use=Use.ANY,
)
def block_alter(work: Work, /, *, block: Block, **given: Any) -> Block:
    work.alter(block, given)
    return block


@operation("block.end", "A termination block is taken down.")
def block_end(work: Work, /, *, block: Block) -> Block:
    require_unused(work, block)
    work.end(block)
    return block


@operation(
    "contact.add",
    "Someone is to be called.",
    of=Contact,
    takes=facts_of(Contact, "name", "role"),
    use=Use.ANY,
)
def contact_add(work: Work, /, *, name: str, role: Contact.Role, **given: Any) -> Contact:
    return work.add(Contact(name=name, role=role, **given))


@operation(
    "contact.alter", "What is said of a contact changes.", of=Contact, takes=facts_of(Contact), use=Use.ANY
)
def contact_alter(work: Work, /, *, contact: Contact, **given: Any) -> Contact:
    work.alter(contact, given)
    return contact


@operation("contact.remove", "Someone is not to be called any more.", use=Use.ANY)
def contact_remove(work: Work, /, *, contact: Contact) -> Contact:
    work.remove(contact)
    return contact
