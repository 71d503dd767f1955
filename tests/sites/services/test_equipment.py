"""Supplies, amplifiers, switches and endpoints: swapped, re-patched, corrected, ended."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept
from sites.changes.steps import first_step_after
from sites.models import (
    Basis,
    Block,
    Closet,
    DeviceModel,
    EndpointFacts,
    Output,
    Site,
    Supply,
    SupplyFacts,
    Switch,
    SwitchPort,
    SwitchPortFacts,
)
from sites.selectors import history, standing, things_with_facts
from sites.services.closets import block_alter, closet_end
from sites.services.endpoints import (
    endpoint_add,
    endpoint_alter,
    endpoint_correct,
    endpoint_end,
    endpoint_move,
    output_add,
    output_alter,
    output_end,
)
from sites.services.power import (
    amplifier_alter,
    amplifier_correct,
    amplifier_end,
    supply_alter,
    supply_correct,
    supply_end,
)
from sites.services.switches import port_alter, port_correct, switch_alter, switch_correct, switch_end
from tests import factories
from tests.factories import BUILT_ON, change

pytestmark = pytest.mark.django_db
Kind = DeviceModel.Kind
LATER = dt.date(2025, 9, 1)
AFTER_THAT = dt.date(2025, 10, 1)
Source = EndpointFacts.PowerSource


def on(site: Site, day: dt.date = LATER, **fields: Any) -> Any:
    return change(site, happened_on=day, **fields)


def refusal(caught: pytest.ExceptionInfo[ChangeRefused]) -> tuple[str, str]:
    (problem,) = caught.value.problems
    return problem.pointer, problem.code


@pytest.fixture
def switch(closet: Closet) -> Switch:
    return factories.make_switch(closet)


def port(switch: Switch, number: int) -> SwitchPort:
    return switch.ports.get(number=number, end_step=None)


# --- supplies and amplifiers ---------------------------------------------------------------------------


def test_a_supply_is_swapped_from_a_day_on(site: Site, closet: Closet) -> None:
    old, new = factories.make_model(Kind.SUPPLY), factories.make_model(Kind.SUPPLY)
    supply = factories.make_supply(closet, old)
    supply_alter(on(site), supply=supply, model=new, note="larger")
    held = {
        day: things_with_facts(Supply, SupplyFacts, first_step_after(day), site_ids=[site.pk])
        for day in (dt.date(2024, 3, 3), BUILT_ON, LATER)
    }
    assert [[facts and facts.model for _, facts in rows] for rows in held.values()] == [[], [old], [new]]
    assert [row.model for row in history(SupplyFacts, supply.pk)] == [old, new]
    supply.refresh_from_db()
    assert supply.note == "larger"


def test_a_supply_is_a_supply(site: Site, closet: Closet) -> None:
    with pytest.raises(ChangeRefused, match="expected a DC supply") as caught:
        supply_alter(on(site), supply=factories.make_supply(closet), model=factories.make_model(Kind.HORN))
    assert refusal(caught) == ("/model_id", "wrong_kind")


def test_the_true_model_is_a_correction(site: Site, closet: Closet) -> None:
    true = factories.make_model(Kind.SUPPLY)
    supply = factories.make_supply(closet)
    done = supply_correct(on(site), supply=supply, model=true)
    facts = supply.facts.get()
    assert (facts.model, facts.change_set_id) == (true, done.change_set.pk)
    assert facts.step == supply.begin_step


def test_an_amplifier_is_set_to_another_voltage_and_corrected(site: Site, closet: Closet) -> None:
    amplifier = factories.make_amplifier(closet, line_voltage_v=70.7)
    amplifier_alter(on(site), amplifier=amplifier, line_voltage_v=100.0)
    amplifier_correct(on(site, AFTER_THAT), amplifier=amplifier, line_voltage_v=25.0)
    assert [row.line_voltage_v for row in amplifier.facts.order_by("step")] == [70.7, 25.0]
    with pytest.raises(ChangeRefused) as caught:
        amplifier_alter(on(site, AFTER_THAT), amplifier=amplifier, line_voltage_v=-1.0)
    assert refusal(caught) == ("/line_voltage_v", "invalid")
    amplifier_end(on(site, AFTER_THAT), amplifier=amplifier)


def test_what_has_ended_is_neither_altered_nor_ended_again(site: Site, closet: Closet) -> None:
    supply = factories.make_supply(closet)
    ended = supply_end(on(site, reason="burnt out"), supply=supply).change_set
    twice: list[Callable[[], object]] = [
        lambda: supply_end(on(site, AFTER_THAT), supply=supply),
        lambda: supply_alter(on(site, AFTER_THAT), supply=supply, note="x"),
    ]
    for again in twice:
        with pytest.raises(ChangeRefused, match=f"was ended by change set {ended.pk} .*burnt out") as caught:
            again()
        assert refusal(caught) == ("/supply_id", "ended")


def test_a_name_is_free_again_once_its_bearer_has_ended(site: Site, closet: Closet) -> None:
    supply_end(on(site), supply=factories.make_supply(closet, name="PS 1"))
    again = factories.make_supply(closet, name="PS 1")
    before = first_step_after(AFTER_THAT)
    assert [one.pk for one in standing(Supply, before, site=site)] == [again.pk]


def test_what_was_added_and_ended_by_one_change_set_is_left_out_of_it(site: Site, closet: Closet) -> None:
    with pytest.raises(ChangeRefused, match="leave both out"):
        change_accept(
            on(site),
            [
                {"op": "supply.add", "closet_id": closet.pk, "name": "PS 9", "label": "new"},
                {"op": "supply.end", "supply_id": "@new"},
            ],
        )


def test_a_closet_that_something_stands_in_is_not_given_up(site: Site, closet: Closet) -> None:
    for number in range(10):
        factories.make_supply(closet, name=f"PS {number}")
    with pytest.raises(ChangeRefused, match="and 2 more"):
        closet_end(on(site), closet=closet)


def test_a_block_is_described_otherwise(site: Site, block: Block) -> None:
    block_alter(on(site), block=block, row_count=25)
    with pytest.raises(ChangeRefused) as caught:
        block_alter(on(site), block=block, row_count=0)
    assert refusal(caught) == ("/row_count", "invalid")


# --- switches ------------------------------------------------------------------------------------------


def test_a_switch_has_the_ports_of_its_model(switch: Switch) -> None:
    assert list(switch.ports.values_list("number", flat=True)) == list(range(1, 9))
    assert SwitchPortFacts.objects.filter(port__switch=switch, priority="low").count() == 8


def test_a_smaller_switch_ends_the_ports_beyond_it_and_a_larger_adds_them(site: Site, switch: Switch) -> None:
    small = factories.make_model(Kind.SWITCH, port_count=4)
    large = factories.make_model(Kind.SWITCH, port_count=10)
    switch_alter(on(site), switch=switch, model=small)
    switch_alter(on(site, AFTER_THAT), switch=switch, model=large)
    counts = [
        standing(SwitchPort, first_step_after(day), switch=switch).count()
        for day in (BUILT_ON, LATER, AFTER_THAT)
    ]
    assert counts == [8, 4, 10]


def test_a_smaller_switch_does_not_drop_what_is_patched(site: Site, closet: Closet, switch: Switch) -> None:
    gateway = factories.make_gateway(closet)
    endpoint_move(on(site), endpoint=gateway, port=port(switch, 7))
    port_alter(on(site), port=port(switch, 8), other_load="camera at the gate", other_load_class=3)
    with pytest.raises(ChangeRefused) as caught:
        switch_alter(
            on(site, AFTER_THAT), switch=switch, model=factories.make_model(Kind.SWITCH, port_count=4)
        )
    details = [problem.detail for problem in caught.value.problems]
    assert len(details) == 2
    assert f"still used by endpoint {gateway.name}" in details[0]
    assert "still used by camera at the gate" in details[1]


def test_a_switch_is_ended_with_its_ports(site: Site, switch: Switch) -> None:
    switch_end(on(site), switch=switch)
    assert not standing(SwitchPort, first_step_after(LATER), switch=switch).exists()


def test_power_supplies_are_lost_and_corrected(site: Site, switch: Switch) -> None:
    switch_alter(on(site), switch=switch, power_supply_count=1, usage_threshold=0.7)
    switch_correct(on(site, AFTER_THAT), switch=switch, power_supply_count=2)
    assert switch.facts.latest("step").power_supply_count == 2
    with pytest.raises(ChangeRefused) as caught:
        switch_alter(on(site, AFTER_THAT), switch=switch, usage_threshold=1.0)
    assert refusal(caught) == ("/usage_threshold", "invalid")


def test_a_port_has_priority(site: Site, switch: Switch) -> None:
    one = port(switch, 1)
    port_alter(on(site), port=one, priority=SwitchPortFacts.Priority.CRITICAL)
    port_correct(on(site, AFTER_THAT), port=one, other_load_power_w=7.5)
    facts = one.facts.latest("step")
    assert (facts.priority, facts.other_load_power_w) == ("critical", 7.5)


def test_a_port_has_a_type_of_its_own_from_a_day_on(site: Site, switch: Switch) -> None:
    one = port(switch, 1)
    port_alter(on(site), port=one, port_type=4)
    assert list(one.facts.order_by("step").values_list("port_type", flat=True)) == [None, 4]


def test_a_built_in_power_supply_counts(site: Site, switch: Switch) -> None:
    with pytest.raises(ChangeRefused, match="a whole number from 1 to 16"):
        switch_alter(on(site), switch=switch, power_supply_count=0)


# --- endpoints -----------------------------------------------------------------------------------------


def test_an_endpoint_has_the_outputs_of_its_model_unless_said(site: Site, closet: Closet) -> None:
    assert factories.make_gateway(closet).outputs.count() == 2
    four = [Output.Terminal.SCREW] * 4
    gateway = endpoint_add(on(site), name="GW four", closet=closet, outputs=four).result
    assert [(one.number, one.terminal) for one in gateway.outputs.all()] == [
        (number, "screw") for number in (1, 2, 3, 4)
    ]


def test_an_endpoint_is_re_patched(site: Site, closet: Closet, switch: Switch) -> None:
    gateway = factories.make_gateway(closet, port=port(switch, 1), negotiated_class=3)
    endpoint_move(on(site), endpoint=gateway, port=port(switch, 5))
    then, now = gateway.facts.order_by("step")
    assert (then.port, then.power_source, then.negotiated_class) == (port(switch, 1), Source.PORT, 3)
    assert (now.port, now.power_source, now.negotiated_class) == (port(switch, 5), Source.PORT, None)
    endpoint_move(on(site, AFTER_THAT), endpoint=gateway, port=None)
    off = gateway.facts.latest("step")
    assert (off.port, off.power_source) == (None, Source.UNKNOWN)


def test_a_port_takes_one_endpoint(site: Site, closet: Closet, switch: Switch) -> None:
    first = factories.make_gateway(closet, port=port(switch, 1))
    with pytest.raises(ChangeRefused, match=f"is taken by endpoint {first.name}") as caught:
        endpoint_move(on(site), endpoint=factories.make_gateway(closet), port=port(switch, 1))
    assert refusal(caught) == ("/port_id", "taken")
    endpoint_end(on(site), endpoint=first)
    endpoint_move(on(site, AFTER_THAT), endpoint=factories.make_gateway(closet), port=port(switch, 1))


def test_an_endpoint_stays_on_its_port_when_told_again(site: Site, closet: Closet, switch: Switch) -> None:
    gateway = factories.make_gateway(closet, port=port(switch, 1))
    endpoint_alter(on(site), endpoint=gateway, port=port(switch, 1), vlan=40)
    assert gateway.facts.latest("step").vlan == 40


@pytest.mark.parametrize(
    ("state", "pointer"),
    [
        ({"vlan": 0}, "/vlan"),
        ({"vlan": 4095}, "/vlan"),
        ({"address": "10.0.0.256"}, "/address"),
        ({"negotiated_class": 9}, "/negotiated_class"),
        ({"negotiated_power_w": -1.0}, "/negotiated_power_w"),
        ({"cable_length_m": 40.0}, "/cable_length_basis"),
        ({"cable_length_m": -1.0, "cable_length_basis": Basis.MARKED}, "/cable_length_m"),
    ],
)
def test_a_network_setting_that_cannot_be_is_named(
    site: Site, closet: Closet, state: dict[str, Any], pointer: str
) -> None:
    gateway = factories.make_gateway(closet)
    with pytest.raises(ChangeRefused) as caught:
        endpoint_alter(on(site), endpoint=gateway, **state)
    assert caught.value.problems[0].pointer == pointer


def test_power_from_a_port_is_power_from_that_port(site: Site, closet: Closet, switch: Switch) -> None:
    gateway = factories.make_gateway(closet)
    with pytest.raises(ChangeRefused) as caught:
        endpoint_alter(on(site), endpoint=gateway, port=port(switch, 1), power_source=Source.INJECTOR)
    assert refusal(caught) == ("/power_source", "invalid")
    endpoint_move(on(site), endpoint=gateway, port=port(switch, 1))
    with pytest.raises(ChangeRefused) as caught:
        endpoint_alter(on(site, AFTER_THAT), endpoint=gateway, power_source=Source.INJECTOR)
    assert refusal(caught) == ("/power_source", "endpoint_facts_port_means_power_from_it")


def test_a_measured_cable_is_better_knowledge(site: Site, closet: Closet) -> None:
    gateway = factories.make_gateway(closet, cable_length_m=40.0, cable_length_basis=Basis.GUESSED)
    endpoint_alter(on(site), endpoint=gateway, vlan=7)
    endpoint_correct(
        on(site, AFTER_THAT), endpoint=gateway, cable_length_m=57.5, cable_length_basis=Basis.MEASURED
    )
    assert [(row.cable_length_m, row.vlan) for row in gateway.facts.order_by("step")] == [
        (57.5, None),
        (57.5, 7),
    ]


def test_outputs_come_and_go(site: Site, closet: Closet) -> None:
    gateway = factories.make_gateway(closet)
    third = output_add(on(site), endpoint=gateway, number=3).result
    output_alter(on(site), output=third, terminal=Output.Terminal.JACK)
    output_end(on(site, AFTER_THAT), output=third)
    with pytest.raises(ChangeRefused) as caught:
        output_add(on(site, AFTER_THAT), endpoint=gateway, number=2)
    assert refusal(caught) == ("/number", "output_number_once_an_endpoint")
    output_add(on(site, AFTER_THAT), endpoint=gateway, number=3)
