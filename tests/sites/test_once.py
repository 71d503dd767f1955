"""What is read once while a page is made."""

from __future__ import annotations

import pytest

from sites.access.gates import supply_for
from sites.access.selectors import principal_of
from sites.models import Closet, User
from sites.once import once, reading_again, reading_once
from tests import factories


def test_the_same_question_is_asked_once_and_another_again() -> None:
    asked: list[tuple[int, frozenset[int]]] = []

    @once
    def read(step: int, *, ids: list[int]) -> int:
        asked.append((step, frozenset(ids)))
        return len(asked)

    with reading_once():
        assert (read(7, ids=[1, 2]), read(7, ids=[2, 1])) == (1, 1)
        assert (read(8, ids=[1, 2]), read(7, ids=[1])) == (2, 3)
    assert read(7, ids=[1, 2]) == 4
    with reading_once():
        assert read(7, ids=[1, 2]) == 5
        with reading_again():
            assert (read(7, ids=[1, 2]), read(7, ids=[1, 2])) == (6, 7)
        assert read(7, ids=[1, 2]) == 5
        with reading_once():  # an answer that is a part of a page
            assert read(7, ids=[1, 2]) == 5
            assert read(9, ids=[]) == 8
        assert (read(9, ids=[]), read(7, ids=[1, 2])) == (8, 5)


def test_what_one_answer_notes_on_a_thing_is_not_there_for_the_next(
    closet: Closet, manager: User, django_assert_num_queries: pytest.FixtureRequest
) -> None:
    principal = principal_of(manager)
    supply = factories.make_supply(closet)
    with reading_once():
        first = supply_for(principal=principal, id=supply.pk)
        first.held = ["as of another day"]  # type: ignore[attr-defined]
        with django_assert_num_queries(0):  # type: ignore[operator]
            second = supply_for(principal=principal, id=supply.pk)
    assert second == supply
    assert not hasattr(second, "held")
