"""Sites to recheck, and no listener of other rooms."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import psycopg
import pytest
from django.db import connection

from sites.models import DeviceModel, Supply
from tests.zones.recording import DAY, SiteRecord, cable_type, device_model
from zones.models import Run
from zones.recheck import checked

NOW = dt.datetime(2026, 3, 10, 12, 0, tzinfo=dt.UTC)
LATER = NOW + dt.timedelta(hours=1)


@pytest.fixture(autouse=True)
def no_listeners(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rooms above register listeners when the service starts; here each test brings its own."""
    for name in ("checked_listeners", "failed_listeners", "due_sources"):
        monkeypatch.setattr(checked, name, [])


@dataclass
class Terminal:
    """A site whose one supply of 2 A feeds two runs of ten speakers each, 50 mA in speech."""

    record: SiteRecord
    supply: Supply
    runs: list[Run]
    speaker: DeviceModel
    facts: dict[str, Any]

    @property
    def site_id(self) -> int:
        return self.record.site_id

    def add_speakers(self, count: int, day: dt.date = DAY, **said: Any) -> None:
        """Speakers on the first run's end."""
        with self.record.change(day, **said):
            run = self.runs[0]
            last = run.points.order_by("rank").last()
            assert last is not None
            for number in range(1, count + 1):
                last = self.record.point(
                    run, f"P{last.rank:.0f}+{number}", last.rank + 1, parent=last, **self.facts
                )


def make_terminal(**site: Any) -> Terminal:
    speaker = device_model(
        "ceiling_speaker", speech_current_a=0.05, idle_current_a=0.015, minimum_voltage_v=18.0
    )
    supply_model = device_model("supply", rated_current_a=2.0, no_load_voltage_v=24.0, class_2_marked=True)
    facts = {"model": speaker, "cable_type": cable_type(gauge_awg=18), "current_basis": 4}
    record = SiteRecord(**site)
    with record.change():
        supply = record.supply(supply_model)
        runs = [record.run(name, supply=supply, zone=record.zone(f"Zone {name}")) for name in ("R1", "R2")]
        for run in runs:
            record.chain(run, 10, **facts)
    return Terminal(record, supply, runs, speaker, facts)


@pytest.fixture
def terminal(db: None) -> Terminal:
    return make_terminal()


@contextmanager
def another_connection() -> Iterator[psycopg.Connection[Any]]:
    """A connection of someone else to the same database."""
    parameters = connection.get_connection_params()
    for ours in ("context", "cursor_factory", "client_encoding", "prepare_threshold"):
        parameters.pop(ours, None)
    with psycopg.connect(**parameters, autocommit=True) as other:
        other.execute("SET lock_timeout = '10s'")
        pid = other.info.backend_pid
        yield other
    _await_end(pid, parameters)


def _await_end(pid: int, parameters: dict[str, Any]) -> None:
    """The server lets go of a session's locks some moments after the client has closed it.

    Asked over a connection of its own: within a transaction the list of sessions stands still.
    """
    deadline = time.monotonic() + 30
    with psycopg.connect(**parameters, autocommit=True) as watcher:
        while time.monotonic() < deadline:
            found = watcher.execute("SELECT count(*) FROM pg_stat_activity WHERE pid = %s", [pid]).fetchone()
            if found == (0,):
                return
    raise AssertionError(f"the session {pid} did not end")
