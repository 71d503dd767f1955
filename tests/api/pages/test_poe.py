"""The drawing of a switch's power by port."""

from __future__ import annotations

import re
from typing import Any

import pytest

from api.pages.drawings.poe import poe


def load(name: str, counted_by: str = "class") -> dict[str, Any]:
    return {"name": name, "counted_by": counted_by}


def port(number: int, allocated_w: float, cumulative_w: float, **more: Any) -> dict[str, Any]:
    return {
        "number": number,
        "loads": [load(f"NS {number}")],
        "allocated_w": allocated_w,
        "cumulative_w": cumulative_w,
        "loses_power": False,
        "loses_power_one_lost": False,
        **more,
    }


def power(*ports: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "switch": "SW 7",
        "sentences": ["41 W allocated to 3 ports; budget 78 W."],
        "ports": list(ports),
        "allocated_w": ports[-1]["cumulative_w"],
        "budget_w": 78.0,
        "budget_one_lost_w": None,
        "measured": None,
        **more,
    }


def bars(svg: str) -> list[tuple[float, float]]:
    """Where each bar begins, and how wide it is; one behind another of the same place counts once."""
    found = re.findall(r'<rect [^>]*?x="([\d.]+)" [^>]*?width="([\d.]+)"', svg)
    return list(dict.fromkeys((float(x), float(width)) for x, width in found))


THREE = (port(5, 7.0, 7.0), port(1, 30.0, 37.0), port(2, 4.0, 41.0))


def test_each_bar_begins_where_the_one_above_ends() -> None:
    """78 W on 312 px from 8: 4 px a watt."""
    assert bars(poe(power(*THREE))) == [(8.0, 28.0), (36.0, 120.0), (156.0, 16.0)]


def test_strokes_stand_at_the_budgets() -> None:
    """8 + 78·4 = 320 and 8 + 40.5·4 = 170; what is not recorded has no stroke."""
    both = poe(power(*THREE, budget_one_lost_w=40.5))
    assert re.findall(r'd="M([\d.]+) [\d.]+V', both) == ["320", "170"]
    assert "budget 78 W" in both
    assert "one supply lost 40.5 W" in both
    assert "V" not in "".join(re.findall(r' d="([^"]*)"', poe(power(*THREE, budget_w=None))))


@pytest.mark.parametrize("how", ["loses_power", "loses_power_one_lost"])
def test_what_is_expected_to_lose_power_is_hatched(how: str) -> None:
    svg = poe(power(port(5, 7.0, 7.0), port(1, 30.0, 37.0, **{how: True})))
    (hatched,) = re.findall(r'<rect [^>]*?fill="url\(#poe-hatch\)"[^>]*>', svg)
    assert 'x="36"' in hatched
    assert re.search(r'font-weight="bold"[^>]*>1 NS 1, 30 W<', svg)
    assert "url(" not in poe(power(*THREE))


def test_what_is_only_assumed_is_outlined() -> None:
    svg = poe(power(port(5, 15.4, 15.4, loads=[load("NS 5", "assumed")]), port(6, 7.0, 22.4)))
    first, second = re.findall(r"<rect [^>]*>", svg)
    assert ("stroke-dasharray" in first, "ink-fill" in first) == (True, False)
    assert ("stroke-dasharray" in second, "ink-fill" in second) == (False, True)


def test_the_reading_is_a_dot_where_it_is_measured() -> None:
    """8 + 20.25·4 = 89."""
    svg = poe(power(*THREE, measured={"power_w": 20.25}))
    assert re.findall(r'<circle [^>]*cx="([\d.]+)"', svg) == ["89"]
    assert "measured 20.2 W" in svg
    assert "<circle" not in poe(power(*THREE))


def test_it_has_a_title_and_says_the_sentences_of_the_answer() -> None:
    svg = poe(power(*THREE))
    assert "<title>Power by port, SW 7</title><desc>41 W allocated to 3 ports; budget 78 W.</desc>" in svg
    assert 'role="img"' in svg
    assert "style=" not in svg


def test_a_long_name_is_cut_and_what_people_wrote_is_no_markup() -> None:
    svg = poe(power(port(5, 7.0, 7.0, loads=[load("<b>" + "n" * 60)])))
    assert "<b>" not in svg
    # 32 letters, the last of them an ellipsis
    assert f"5 &lt;b&gt;{'n' * 28}…, 7 W" in svg
