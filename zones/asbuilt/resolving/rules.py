"""Holds rows to the rules of ``sites.rules`` and ``zones.rules``, once what they name is known.

What a row's own cells contradict was found when they were read (``formats``). What is checked here needs
other things: its model, its run, its block, the other devices on its port, and what ended before it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from sites.changes.errors import Problem
from sites.rules.equipment import MODELS, Held, model_fits, port_is_free
from sites.rules.standing import ends_after_its_users
from zones.asbuilt.formats import BY_NAME, FileKind, Reference
from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Facts, Thing
from zones.rules.landings import clip_fits, row_fits
from zones.rules.points import device_fits, mid_feed_fits
from zones.rules.runs import feeds_fit

from .context import Context

Moment = tuple[object, ...]


def facts_fit(thing: Thing, new: Values) -> Iterator[Problem]:
    """New dated facts of ``thing`` fit what they name, and it."""
    kind = thing.kind.name
    model: Thing | None = new.get("model_id")
    # of a model whose own row is refused nothing is known
    model_kind = model.values.get("kind") if model is not None else None
    if model is not None:
        yield from model_fits(MODELS[thing.kind.facts_of], model.label, model_kind)
    if kind == "points":
        if model is not None:
            yield from device_fits(model.label, model_kind, new["device_kind"])
        run_kind = thing.key[0].values.get("kind")
        if run_kind is not None:
            yield from mid_feed_fits(run_kind, fed=new["feed_supply_id"] is not None)
    elif kind == "runs" and "kind" in thing.values:
        yield from _feeds(thing, new)
    elif kind == "clips" and not thing.key[0].refused:
        block = thing.key[0]
        yield from clip_fits(block.label, block.values["kind"], is_in=new["is_in"])


def _feeds(run: Thing, facts: Values) -> Iterator[Problem]:
    feeds = [feed for feed in ("output", "supply", "amplifier") if facts.get(f"{feed}_id") is not None]
    yield from feeds_fit(run.values["kind"], feeds)


def block_row_fits(thing: Thing) -> Iterator[Problem]:
    """A landing or a clip is on a row that its block has."""
    if thing.kind.name in ("landings", "clips") and not thing.key[0].refused:
        yield from row_fits(thing.key[0].label, thing.key[0].values["row_count"], thing.key[1])


# --- once all rows of a kind are settled --------------------------------------------------------------------


def check_ports(context: Context) -> None:
    """Complain of a device on a port that another has."""
    held: dict[Thing, list[tuple[Thing, Facts, Held]]] = defaultdict(list)
    for endpoint in context.world.things["endpoints"]:
        for facts, until in _spans(endpoint):
            port = facts.values.get("port_id")
            if port is not None and not (facts.row and facts.row.is_refused()):
                held[port].append((endpoint, facts, Held(endpoint.label, facts.change.position, until)))
    for port, on_port in held.items():
        if len(on_port) < 2:
            continue
        for endpoint, facts, mine in on_port:
            if facts.row is not None and not facts.row.is_refused():
                others = [other for thing, _, other in on_port if thing is not endpoint]
                facts.row.refuse(port_is_free(f"Port {port.label}", mine, others))


def check_rewritten(context: Context, kind: FileKind) -> None:
    """Complain of a new description of a run or a block that does not fit what the record has."""
    for thing, mentioned in context.mentioned[kind.name].items():
        if not thing.rewritten or thing.row is None or thing.row.is_refused():
            continue
        if kind.name == "runs":
            for facts in thing.facts:
                mentioned[0][0].refuse(_feeds(thing, facts.values))
        elif kind.name == "blocks":
            thing.row.refuse(_lying_on(context, thing))


def _lying_on(context: Context, block: Thing) -> Iterator[Problem]:
    for name in ("landings", "clips"):
        for thing in context.world.things[name]:
            if thing.recorded and thing.key[0] is block:
                yield from row_fits(block.label, block.values["row_count"], thing.key[1], "/row_count")
                for facts in thing.facts:
                    for problem in clip_fits(block.label, block.values["kind"], is_in=facts.values["is_in"]):
                        yield Problem(problem.detail, problem.code, "/kind")


def check_ends(context: Context, kind: FileKind) -> None:
    """Complain of what outlasts a thing that it names: on its own row, or where the record has it, on the
    row that ends the thing."""
    if not context.some_end:
        return
    references = [one for one in kind.references if BY_NAME[one.to].placed]
    for thing in context.world.things[kind.name] if references else ():
        for reference in references:
            for row, named, until in _named(thing, reference):
                if named is None or named.end is None:
                    continue
                for problem in ends_after_its_users(named.label, named.end.position, thing.label, until):
                    if row is not None and not row.is_refused():
                        row.complain(reference.columns[-1], problem.code, problem.detail)
                    elif row is None and named.end_row is not None:
                        named.end_row.complain("ends", problem.code, problem.detail)
                        context.withdraw(named.kind)


def _named(thing: Thing, reference: Reference) -> Iterator[tuple[Row | None, Thing | None, Moment | None]]:
    """What a thing names by a reference, on which row, and until when; the row is None in the record."""
    if reference.dated:
        for facts, until in _spans(thing):
            yield facts.row, facts.values.get(reference.attribute), until
    elif thing.kind.placed:
        own = dict(zip(thing.kind.key, thing.key, strict=True)) | thing.values
        named = own.get(reference.name, own.get(reference.attribute))
        until = None if thing.end is None else thing.end.position
        yield thing.row if not thing.recorded or thing.rewritten else None, named, until


def _spans(thing: Thing) -> Iterator[tuple[Facts, Moment | None]]:
    """Each of a thing's facts, and until when they hold."""
    ended = thing.end or (thing.key[0].end if thing.kind.name == "points" else None)
    facts = sorted(thing.facts, key=lambda one: one.change.position)
    for place, one in enumerate(facts):
        after = facts[place + 1].change if place + 1 < len(facts) else ended
        yield one, None if after is None else after.position
