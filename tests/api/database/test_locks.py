"""Locks on files: many shared or one alone."""

from pathlib import Path

import pytest

from api.database.locks import FileLock


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "some.lock"


def test_many_share_and_none_is_alone_among_them(path: Path) -> None:
    with FileLock(path, shared=True), FileLock(path, shared=True):
        assert not FileLock(path).try_acquire()


def test_one_alone_shuts_out_all(path: Path) -> None:
    with FileLock(path):
        assert not FileLock(path, shared=True).try_acquire()
        assert not FileLock(path).try_acquire()


def test_let_go_is_free(path: Path) -> None:
    with FileLock(path):
        pass
    lock = FileLock(path)
    assert lock.try_acquire()
    lock.release()
    assert path.exists()


def test_one_object_is_one_lock(path: Path) -> None:
    with FileLock(path) as lock, pytest.raises(RuntimeError, match="already"):
        lock.acquire()
