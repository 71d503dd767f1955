"""Keys are made once, even by two at once."""

import secrets
from pathlib import Path

from api import keyring


def test_what_is_there_is_kept(tmp_path: Path) -> None:
    first = keyring.read_or_make(tmp_path / "key", secrets.token_hex)
    assert keyring.read_or_make(tmp_path / "key", secrets.token_hex) == first


def test_of_two_makers_the_first_ones_counts_for_both(tmp_path: Path) -> None:
    path = tmp_path / "key"

    def make_while_another_does() -> str:
        path.write_text("the other's\n")
        return "mine"

    assert keyring.read_or_make(path, make_while_another_does) == "the other's"
    assert [found.name for found in tmp_path.iterdir()] == ["key"]
