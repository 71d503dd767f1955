"""The power of a switch by port: the answer of ``GET /switches/{id}/power``."""

from __future__ import annotations

from collections.abc import Iterable

from rest_framework import serializers

from api.conventions import fields
from api.conventions.answers import AnswerSerializer, RoundedField
from api.conventions.bodies import Rendered
from api.conventions.sizes import WithLimitSerializer, within_limit
from sites.models import Switch, SwitchPortFacts
from zones.loads.switch_power import LoadOnPort, Measured, PortPower, SwitchPower
from zones.models import Zone

from .loads import DependentZoneSerializer


class LoadOnPortSerializer(AnswerSerializer):
    """A device on a port."""

    words = fields.Text(help_text="What is allocated to it, and by what it is counted.")

    class Meta:
        dataclass = LoadOnPort
        extra_kwargs = {
            "endpoint_id": {"help_text": "null: a load that is not one of our devices."},
            "poe_class": {"help_text": "null: not recorded."},
            "counted_by": {
                "help_text": "`assumed`: neither class nor power is recorded, so it counts as class 0."
            },
            "capped": {"help_text": "It asks for more than a port of this type delivers."},
        }


class PortPowerSerializer(AnswerSerializer):
    """A port with something on it."""

    priority = fields.Choice(choices=SwitchPortFacts.Priority.choices)
    loads = LoadOnPortSerializer(many=True)
    expected = fields.Text(help_text="What happens to it when power is short, in words.")

    class Meta:
        dataclass = PortPower
        extra_kwargs = {
            "low_w": {"help_text": "What the switch allocates to it, by the low estimate."},
            "allocated_w": {"help_text": "The same by the likely estimate."},
            "high_w": {"help_text": "The same by the high estimate."},
            "cumulative_w": {"help_text": "With all ports that keep power before it."},
            "loses_power": {
                "help_text": "Whether it is expected to lose power with the power supplies fitted; null: the "
                "budget is not recorded."
            },
            "loses_power_one_lost": {
                "help_text": "The same with the largest power supply lost; null: that budget is not recorded."
            },
            "zone_ids": {"help_text": "The zones that depend on it; `zones` has their names."},
        }


class SwitchPowerSerializer(WithLimitSerializer):
    """What a switch allocates to its ports on a day, in the order in which they keep power by the priorities
    of RFC 3621: critical first, then the lowest port number. Many switches refuse the newest port instead."""

    switch_id = fields.Id()
    switch = fields.Text(help_text="Its name.")
    site_id = fields.Id()
    as_of = fields.Day()
    sentences = serializers.ListField(
        child=fields.Text(), help_text="What is allocated, and which ports are expected to lose power."
    )
    power_supplies = fields.Whole(
        source="supplies", allow_null=True, help_text="That are fitted; null: not recorded."
    )
    budget_w = RoundedField(allow_null=True, help_text="With them; null: not recorded.")
    redundant = fields.Flag(help_text="Whether losing one leaves another, as far as is recorded.")
    budget_one_lost_w = RoundedField(
        source="one_lost_w",
        allow_null=True,
        help_text="With the largest of them lost; null: not recorded, or it has one only.",
    )
    usage_threshold = RoundedField(
        source="threshold", help_text="The share of the budget that may be delivered when measured."
    )
    threshold_w = RoundedField(allow_null=True, help_text="That share in watts.")
    allocated_w = RoundedField(help_text="To all ports, by the likely estimate.")
    measured = AnswerSerializer(
        dataclass=Measured, allow_null=True, help_text="The reading that counts, of all ports together."
    )
    ports = PortPowerSerializer(
        many=True, help_text="Those with something on them, the first to keep power first."
    )
    free = serializers.ListField(
        child=fields.Whole(), help_text="Numbers of the ports with nothing recorded on them."
    )
    zones = DependentZoneSerializer(many=True, help_text="The zones that depend on its ports.")


def switch_power_data(switch: Switch, power: SwitchPower, zones: Iterable[Zone]) -> Rendered:
    """zones: those that the person who asks may see."""
    shown = SwitchPowerSerializer(
        {
            **vars(power),
            "switch_id": switch.pk,
            "switch": switch.name,
            "site_id": switch.site_id,
            "sentences": power.sentences,
            "zones": zones,
            "left_out": [],
        }
    )
    return within_limit(shown.data)
