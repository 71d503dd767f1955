"""Keys are made once, even by two at once."""

from pathlib import Path

import pytest

from api import keyring


def test_what_is_there_is_kept(tmp_path: Path) -> None:
    first = keyring.read_or_make(tmp_path / "key", keyring.make_secret_key)
    assert keyring.read_or_make(tmp_path / "key", keyring.make_secret_key) == first


def test_of_two_makers_the_first_ones_counts_for_both(tmp_path: Path) -> None:
    path = tmp_path / "key"

    def make_while_another_does() -> str:
        path.write_text("the other's\n")
        return "mine"

    assert keyring.read_or_make(path, make_while_another_does) == "the other's"
    assert [found.name for found in tmp_path.iterdir()] == ["key"]


def test_a_field_key_is_a_fernet_key() -> None:
    keyring.refuse_bad_field_key(keyring.make_field_key())
    with pytest.raises(ValueError, match="Fernet"):
        keyring.refuse_bad_field_key("short")
