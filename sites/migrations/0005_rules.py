"""The database holds the rules that cross rows of equipment."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v1.rules import Check, Later, User, ends, hold, hold_later, of_kind, stands, stood


def in_closet(table: str) -> str:
    return hold(table, [stood(table, "closet_id", "closet")], ["closet_id"])


def modelled(thing: str) -> str:
    facts = f"{thing}_facts"
    checks = [of_kind(facts, [thing]), stands(facts, f"{thing}_id", thing)]
    return hold(facts, checks, [f"{thing}_id", "model_id"])


HELD = [
    *map(in_closet, ["block", "supply", "amplifier", "switch", "endpoint"]),
    *map(modelled, ["supply", "amplifier", "switch"]),
    hold("switch_port", [stands("switch_port", "switch_id", "switch")], ["switch_id"]),
    hold("switch_port_facts", [stands("switch_port_facts", "port_id", "switch_port")], ["port_id"]),
    hold(
        "endpoint_facts",
        [
            of_kind("endpoint_facts", ["gateway", "network_speaker", "network_amplifier"]),
            stands("endpoint_facts", "endpoint_id", "endpoint"),
            stands("endpoint_facts", "port_id", "switch_port", "endpoint"),
        ],
        ["endpoint_id", "model_id", "port_id"],
    ),
    hold("output", [stands("output", "endpoint_id", "endpoint")], ["endpoint_id"]),
]
# Devices on a port, each from its facts until its next ones, or its end
_UNTIL = """least(
        (SELECT min(l.step) FROM endpoint_facts l
         WHERE l.endpoint_id = {f}.endpoint_id AND l.step > {f}.step),
        (SELECT e.end_step FROM endpoint e WHERE e.id = {f}.endpoint_id))"""
_TAKEN = f"""JOIN endpoint_facts o ON o.port_id = n.port_id AND o.endpoint_id <> n.endpoint_id
    WHERE n.step < coalesce({_UNTIL.format(f="o")}, n.step + 1)
      AND o.step < coalesce({_UNTIL.format(f="n")}, o.step + 1)"""
LATER = [
    Later(
        "endpoint_facts_on_a_port",
        "endpoint_facts",
        "INSERT OR UPDATE",
        "NEW.port_id IS NOT NULL",
        [Check("endpoint_facts_port_taken", _TAKEN)],
    ),
    ends("switch_port", [User("endpoint_facts", "port_id", "endpoint")], ["switch_port_facts"]),
    ends("switch", [User("switch_port", "switch_id")], ["switch_facts"]),
    ends(
        "closet",
        [User(table, "closet_id") for table in ("block", "supply", "amplifier", "switch", "endpoint")],
    ),
]
# Whatever is of a model was checked against its kind
MODEL_KIND = """
CREATE FUNCTION zonebook_refuse_another_kind() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'device model % stays a %', OLD.id, OLD.kind USING
        ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'device_model_kind_stays';
END $$;
CREATE TRIGGER device_model_of_another_kind BEFORE UPDATE OF kind ON device_model
    FOR EACH ROW WHEN (OLD.kind IS DISTINCT FROM NEW.kind) EXECUTE FUNCTION zonebook_refuse_another_kind();
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0004_search")]
    operations = [
        *[install(sql) for sql in HELD],
        *[install(hold_later(later)) for later in LATER],
        install(MODEL_KIND),
    ]
