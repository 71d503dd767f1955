"""Closets, the blocks in them, and the people to call."""

from __future__ import annotations

from collections.abc import Iterable

from sites.changes.work import Work, describe
from sites.models import Amplifier, Block, Closet, Contact, Endpoint, Placed, Supply, Switch

from .uses import standing_at, used_by
from .usual import Usual

_CLOSET = Usual(Closet)
closet_add = _CLOSET.adds("A closet is recorded.", "name")
closet_alter = _CLOSET.alters("What is said of a closet changes.")
closet_end = _CLOSET.ends("A closet is given up; nothing stands in it any more.")

_BLOCK = Usual(Block)
block_add = _BLOCK.adds("A termination block is mounted.", "closet", "name", "kind")
block_alter = _BLOCK.alters("What is said of a termination block changes.")
block_end = _BLOCK.ends("A termination block is taken down.")

_CONTACT = Usual(Contact)
contact_add = _CONTACT.adds("Someone is to be called.", "name", "role")
contact_alter = _CONTACT.alters("What is said of a contact changes.")
contact_remove = _CONTACT.removes("Someone is not to be called any more.")


@used_by(Closet)
def _in_closet(work: Work, closet: Placed) -> Iterable[str]:
    for model in (Block, Supply, Amplifier, Switch, Endpoint):
        for thing in standing_at(work, model, closet_id=closet.pk):
            yield describe(thing)
