"""Locks on files: many shared or one alone."""

from pathlib import Path

import pytest

from api.database.locks import FileLock


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "some.lock"


def test_many_share_and_none_is_alone_among_them(path: Path) -> None:
    with FileLock(path, shared=True), FileLock(path, shared=True):
        assert not FileLock(path).acquire(wait=False)


def test_one_alone_shuts_out_all(path: Path) -> None:
    with FileLock(path):
        assert not FileLock(path, shared=True).acquire(wait=False)
        assert not FileLock(path).acquire(wait=False)


def test_let_go_is_free(path: Path) -> None:
    with FileLock(path):
        pass
    lock = FileLock(path)
    assert lock.acquire(wait=False)
    lock.release()
    assert path.exists()


def test_one_object_is_one_lock(path: Path) -> None:
    with FileLock(path) as lock, pytest.raises(RuntimeError, match="already"):
        lock.acquire()
