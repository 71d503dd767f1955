"""The embedded server lives as long as someone uses it, even where it or its users are killed."""

import os
import select
import shutil
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.api.database.conftest import Probe, is_running, wait_for_reaper

Start = Callable[..., Probe]


def test_the_first_user_starts_it_and_the_last_stops_it(probe: Start, data_dir: Path) -> None:
    one = probe()
    assert one.said()["user"] == "zonebook"
    one.quit()
    assert not is_running(data_dir)


def test_two_that_start_at_once_share_one_server(probe: Start, data_dir: Path) -> None:
    one, other = probe(), probe()
    postmaster = one.said()["postmaster"]
    assert other.said()["postmaster"] == postmaster
    one.quit()
    assert other.ask()["postmaster"] == postmaster
    other.quit()
    assert not is_running(data_dir)


def test_a_killed_user_does_not_stop_it_under_another(probe: Start) -> None:
    killed, other = probe(), probe()
    killed.said()
    postmaster = other.said()["postmaster"]
    killed.kill()
    assert other.ask()["postmaster"] == postmaster


def test_a_killed_last_user_does_not_keep_it(probe: Start, data_dir: Path) -> None:
    only = probe()
    only.said()
    only.kill()
    wait_for_reaper(data_dir)
    assert not is_running(data_dir)


@pytest.mark.usefixtures("as_root")
@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="waits for the end of a foreign process")
def test_a_removed_data_folder_does_not_leave_a_server_elsewhere(probe: Start, closed_home: Path) -> None:
    only = probe(data_dir=closed_home / "data")
    said = only.said()
    server = os.pidfd_open(said["postmaster"])
    shutil.rmtree(closed_home / "data")
    only.kill()
    ended, _, _ = select.select([server], [], [], 180)
    os.close(server)
    assert ended
    shutil.rmtree(said["folder"])


def test_who_comes_while_the_reaper_stops_it_finds_a_server(probe: Start) -> None:
    for _ in range(3):
        only = probe()
        only.said()
        only.kill()
    assert probe().said()["user"] == "zonebook"


def test_a_killed_server_is_started_again_for_a_living_user(probe: Start) -> None:
    user = probe()
    postmaster = user.said()["postmaster"]
    os.kill(postmaster, signal.SIGKILL)
    assert user.ask()["postmaster"] != postmaster


def test_a_server_killed_with_all_its_users_starts_again(probe: Start, data_dir: Path) -> None:
    user = probe()
    postmaster = user.said()["postmaster"]
    user.kill()
    os.kill(postmaster, signal.SIGKILL)
    wait_for_reaper(data_dir)
    assert probe().said()["postmaster"] != postmaster


def test_a_pid_file_that_names_a_stranger_is_not_believed(probe: Start) -> None:
    first = probe()
    pid_file = Path(first.said()["folder"]) / "cluster" / "postmaster.pid"
    content = pid_file.read_text().splitlines()
    first.quit()
    # As after a restarted container, where the number is now that of some other process of the same account
    owner = pid_file.parent.stat().st_uid
    stranger = subprocess.Popen(["sleep", "600"], user=owner if os.geteuid() == 0 else None)
    pid_file.write_text("\n".join([str(stranger.pid), *content[1:]]) + "\n")
    shutil.chown(pid_file, owner, pid_file.parent.stat().st_gid)
    assert probe().said()["postmaster"] != stranger.pid
    assert stranger.poll() is None
    stranger.kill()
    stranger.wait()


def test_a_copied_data_folder_has_a_server_of_its_own(probe: Start, data_dir: Path) -> None:
    original = probe()
    copy = data_dir.with_name("copy")
    said = original.said()
    subprocess.run(["cp", "--archive", data_dir, copy], check=True)
    other = probe(data_dir=copy)
    assert other.said()["postmaster"] != said["postmaster"]
    assert original.ask()["postmaster"] == said["postmaster"]
    other.quit()
    assert original.ask()["postmaster"] == said["postmaster"]


def test_a_moved_data_folder_is_found_where_it_is(probe: Start, data_dir: Path) -> None:
    probe_before = probe()
    before = probe_before.said()
    probe_before.quit()
    wait_for_reaper(data_dir)
    data_dir.rename(data_dir.with_name("moved"))
    moved = probe(data_dir=data_dir.with_name("moved"))
    assert moved.said()["folder"] == before["folder"].replace("/data/", "/moved/")
    moved.quit()


def test_a_start_that_was_cut_short_is_repeated(probe: Start, data_dir: Path) -> None:
    draft = data_dir / "database" / "cluster.new"
    draft.mkdir(parents=True)
    (draft / "PG_VERSION").write_text("18\n")
    data_dir.chmod(0o711)
    assert probe().said()["user"] == "zonebook"


def test_a_forked_child_is_a_user_of_its_own(probe: Start, data_dir: Path) -> None:
    parent = probe()
    said = parent.said()
    child = parent.ask("fork")
    assert child["pid"] != said["pid"]
    assert child["postmaster"] == said["postmaster"]
    assert parent.ask()["postmaster"] == said["postmaster"]  # the child's end did not stop it
    parent.quit()
    assert not is_running(data_dir)
