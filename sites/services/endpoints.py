"""Networked audio devices and their analog outputs."""

from __future__ import annotations

from typing import Annotated, Any

from sites.changes.errors import require
from sites.changes.operations import Use, operation
from sites.changes.work import Work, but, describe, only
from sites.fields import ListField, WordField, facts_of
from sites.models import Endpoint, EndpointFacts, Output, SwitchPort
from sites.rules.equipment import Held, port_is_free, power_fits, require_model, with_basis

from .uses import facts_from, require_unused, standing_at
from .usual import Usual

_PowerSource = EndpointFacts.PowerSource
OUTPUTS_AT_MOST = 64


_ENDPOINT = facts_of(EndpointFacts)


_Outputs = Annotated[
    list[Output.Terminal] | None, ListField(WordField(Output.Terminal), max_items=OUTPUTS_AT_MOST)
]


@operation(
    "endpoint.add",
    "A networked device is installed, with its outputs (as its model has, unless said).",
    of=(Endpoint, EndpointFacts),
    takes=(*facts_of(Endpoint, "name"), *_ENDPOINT),
)
def endpoint_add(work: Work, /, *, name: str, outputs: _Outputs = None, **given: Any) -> Endpoint:
    model = given.get("model")
    require_model("endpoint", model)
    state = _fitting_state(work, None, only(given, _ENDPOINT))
    endpoint = work.add(Endpoint(name=name, **but(given, _ENDPOINT)))
    work.add(EndpointFacts(endpoint=endpoint, **state))
    if outputs is None:
        count = model.output_count if model is not None else None
        outputs = [Output.Terminal.UNKNOWN] * (count or 0)
    of_work = {"site_id": work.site_id, "change_set_id": work.change_set.pk, "begin_step": work.step}
    Output.objects.bulk_create(
        Output(endpoint=endpoint, number=number, terminal=terminal, **of_work)
        for number, terminal in enumerate(outputs, start=1)
    )
    return endpoint


@operation("endpoint.move", "A networked device is patched to another port, or off every port.")
def endpoint_move(work: Work, /, *, endpoint: Endpoint, port: SwitchPort | None) -> Endpoint:
    state: dict[str, Any] = {"port": port}
    if port is None:
        state["power_source"] = _PowerSource.UNKNOWN
    # What the old port granted says nothing of the new one
    state |= {"negotiated_class": None, "negotiated_power_w": None}
    work.supersede(EndpointFacts, [endpoint.pk], _fitting_state(work, endpoint, state))
    return endpoint


@operation("endpoint.end", "A networked device is taken down, and its outputs with it.")
def endpoint_end(work: Work, /, *, endpoint: Endpoint) -> Endpoint:
    work.current(EndpointFacts, endpoint.pk)
    outputs = list(standing_at(work, Output, endpoint=endpoint).order_by("number"))
    require_unused(work, endpoint, *outputs)
    work.end(endpoint, *outputs)
    return endpoint


def _fitting_state(work: Work, endpoint: Endpoint | None, state: dict[str, Any]) -> dict[str, Any]:
    """``state`` with what follows from it: a length has a basis, a port means power from it and one
    device."""
    state = with_basis(state, "cable_length_m", "cable_length_basis")
    port = state.get("port")
    if port is None:
        return state
    require(power_fits(on_port=True, power_source=state.setdefault("power_source", _PowerSource.PORT)))
    rows = facts_from(work, EndpointFacts, port_id=port.pk).select_related("endpoint")
    others = [
        Held(describe(row.endpoint), row.step, row.endpoint.end_step)
        for row in rows
        if endpoint is None or row.endpoint_id != endpoint.pk
    ]
    require(port_is_free(describe(port), Held("", work.step), others))
    return state


_USUAL = Usual(Endpoint, EndpointFacts, _fitting_state)
endpoint_alter = _USUAL.alters(
    "A networked device is replaced by another model, set otherwise on the network, or described otherwise."
)
endpoint_correct = _USUAL.corrects(
    "What is recorded of a networked device was wrong.",
    together=[("cable_length_m", "cable_length_basis"), ("power_source", "port")],
)


@operation("output.add", "A networked device has one more analog output in use.", of=Output)
def output_add(
    work: Work,
    /,
    *,
    endpoint: Endpoint,
    number: int,
    terminal: Output.Terminal = Output.Terminal.UNKNOWN,
) -> Output:
    return work.add(Output(endpoint=endpoint, number=number, terminal=terminal))


@operation("output.alter", "What an analog output ends in is recorded.", of=Output, use=Use.ANY)
def output_alter(work: Work, /, *, output: Output, terminal: Output.Terminal) -> Output:
    work.alter(output, {"terminal": terminal})
    return output


output_end = Usual(Output).ends("An analog output is not there any more.")
