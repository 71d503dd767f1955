"""What a list takes for its fields and its order."""

from __future__ import annotations

from api.conventions.filters import FilterSet, Names, list_query
from api.v1.sites import SiteSerializer
from sites.access.scope import Scope


def test_names_may_have_spaces_between_them_and_count_once() -> None:
    assert Names(["id", "name"]).run_validation("name, id,name") == ("name", "id")


def test_a_list_is_in_its_own_order_unless_asked_otherwise() -> None:
    query = list_query(SiteSerializer, FilterSet, ("name", "id"), "-id")(data={})
    query.is_valid(raise_exception=True)
    assert isinstance(query, FilterSet)
    assert query.sort((), "-id", Scope(None)) == "-id"
