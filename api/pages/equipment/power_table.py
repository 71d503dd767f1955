"""The form of a switch into which the table of power is pasted that the switch printed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django import forms

from api.conventions.problems import ProblemError
from api.conventions.serializers import longest
from api.pages.form_page import Act, Field, choice_field, day_field, line_field
from sites.models import DeviceModel
from zones.models import Test
from zones.services.power_tables import LONGEST_TABLE

_HEADINGS: Final = ("watts", "group", "port")


def _heading(name: str, help_text: str = "") -> Field:
    label = f"Heading of the column of the {name}"
    return line_field(label, help_text, longest=longest(DeviceModel, f"{name}_heading"))


class PasteTable(Act):
    """One table, read in one state. Its headings are those of the model until somebody types others."""

    name, title, button = "paste", "Paste what the switch printed", "Record as tests"
    text = Field(
        "Table of power",
        forms.Textarea(attrs={"rows": 8, "spellcheck": "false"}),
        "From the line of headings to the last row.",
        longest=LONGEST_TABLE,
        needed=True,
    )
    state = choice_field("Meanwhile the system was", Test.State.choices, needed=True)
    taken_on = day_field("Day", needed=True)
    taken_at = Field("Time at the site", forms.TimeInput(attrs={"type": "time"}))
    watts = _heading("watts")
    group = _heading("group", "Where it has such a column.")
    port = _heading("port", "Where each row is a port.")

    def __init__(self, data: Any = None, *, model: Mapping[str, Any] | None = None, day: str = "") -> None:
        said = {name: model[f"{name}_heading"] for name in _HEADINGS} if model else {}
        super().__init__(data, initial={"taken_on": day, **said})

    @property
    def body(self) -> dict[str, Any]:
        said = super().body
        headings = {name: said.pop(name) for name in _HEADINGS if name in said}
        return {**said, **({"headings": headings} if headings else {})}

    def refuse(self, problem: ProblemError) -> None:
        for one in problem.errors:
            name = one.path.lstrip("/").removeprefix("headings/")
            self.add_error(
                "watts" if name == "headings" else name if name in self.fields else None, one.detail
            )
        if not problem.errors:
            super().refuse(problem)
