"""Listeners from other packages get every event; nothing waits for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from plugin_packages import WatchedRegistry, plugin_package

from oscservice.daemon.plugin_service import PluginService
from oscservice.errors import InputError
from oscservice.plugins.plugin_listeners import Worker
from oscservice.plugins.registry import Registry
from oscservice.session import events as ev

NOTING_MODULE = """
import threading, time
from oscservice.errors import InputError
heard, closed, free = [], threading.Event(), threading.Event()

class NotingListener:
    def __init__(self, rest): self.rest = rest
    def __call__(self, event):
        if self.rest == "breaks" and len(heard) == 2: raise KeyError("third")
        if self.rest == "hangs": free.wait(10.0)
        heard.append(event)
        event["body"]["mine"] = True
    def close(self):
        closed.set()
        if self.rest == "sticks": raise OSError("disk full")

def noting(rest):
    if rest == "odd": raise InputError("'odd' is no file; give one")
    return {"nothing": None, "five": 5}.get(rest, NotingListener(rest))
"""

EVENTS: list[dict[str, Any]] = [
    {"kind": "Focused", "body": {"string": n, "place": ""}, "session": "s"} for n in range(4)
]


def at_work(packages_folder: Path, rest: str = "", **options: Any) -> tuple[WatchedRegistry, Worker, Any]:
    name = plugin_package(packages_folder, NOTING_MODULE, listeners={"noting": "noting"})
    registry = WatchedRegistry()
    worker = Worker(registry, registry.the("listener", "noting"), rest, **options)
    worker.start()
    return registry, worker, __import__(name)


def copies() -> list[dict[str, Any]]:
    return [event | {"body": dict(event["body"])} for event in EVENTS]


def test_a_listener_gets_every_event_in_order_and_is_closed(packages_folder: Path) -> None:
    registry, worker, module = at_work(packages_folder)
    worker.take(copies()[:1])
    worker.take(copies()[1:])
    worker.end()
    worker.join(10.0)
    assert [event["body"]["string"] for event in module.heard] == [0, 1, 2, 3]
    assert module.closed.is_set()
    assert registry.said == []


@pytest.mark.parametrize(
    ("rest", "reason", "heard"),
    [
        ("breaks", "KeyError: 'third'", 2),
        ("odd", "'odd' is no file; give one", 0),
        ("five", "it gave int, expected something to call with an event", 0),
        ("sticks", "OSError: disk full", 4),
    ],
)
def test_a_listener_that_fails_is_reported_and_disabled(
    packages_folder: Path, rest: str, reason: str, heard: int
) -> None:
    registry, worker, module = at_work(packages_folder, rest)
    worker.take(copies())
    worker.end()
    worker.join(10.0)
    assert registry.said == [f"noting: {reason}"]
    assert len(module.heard) == heard
    worker.take(copies())  # a disabled listener takes no more events, and nothing fails


def test_a_listener_with_nothing_to_do_is_not_called(packages_folder: Path) -> None:
    registry, worker, module = at_work(packages_folder, "nothing")
    worker.take(copies())
    worker.end()
    worker.join(10.0)
    assert (registry.said, module.heard) == ([], [])


def test_a_listener_that_is_too_slow_is_disabled_and_nothing_waits(packages_folder: Path) -> None:
    registry, worker, module = at_work(packages_folder, "hangs", most_waiting=20)
    for _ in range(8):
        worker.take(copies())
    assert registry.said == ["noting: too slow: 20 events wait for it"]
    module.free.set()
    worker.join(10.0)
    assert module.closed.is_set()
    assert len(module.heard) <= 2, "what waited is dropped"


def test_listeners_get_copies_of_events_and_failures_are_reported_once(packages_folder: Path) -> None:
    name = plugin_package(packages_folder, NOTING_MODULE, listeners={"first": "noting", "second": "noting"})
    plugin_package(packages_folder, "raise RuntimeError('old')", listeners={"wrong": "noting"})
    told: list[str] = []
    plugged = PluginService(Registry(), told.append, with_listeners=True)
    assert plugged.topics() == {"/plugins/disabled": ("",)}
    failures: list[str] = []
    plugged.start(failures.append)
    plugged.notify("2026-11-26-1", [ev.Focused(3, ""), ev.TakenBack()])
    plugged.end()
    heard = __import__(name).heard
    assert len(heard) == 4
    assert {event["session"] for event in heard} == {"2026-11-26-1"}
    assert [e["kind"] for e in heard if e["kind"] == "Focused"] == ["Focused", "Focused"]
    assert told == []
    (line,) = failures
    assert line.startswith("plug-in wrong (listener of made_up_package_")
    assert line.endswith("is disabled: RuntimeError: old")
    assert plugged.topics() == {"/plugins/disabled": ("wrong: RuntimeError: old",)}


def test_an_option_for_a_missing_listener() -> None:
    with pytest.raises(InputError, match=r"--plugin 'csv': no such listener; .*: none is installed"):
        PluginService(Registry(), print, with_listeners=True, arguments=["csv:x"])


def test_a_bridge_plug_in_that_fails_before_the_start_is_reported_at_once(packages_folder: Path) -> None:
    plugin_package(packages_folder, "raise RuntimeError('old')", bridges={"odd": "b"})
    told: list[str] = []
    plugged = PluginService(Registry(), told.append)
    assert list(plugged.kinds) == []
    plugged.start(told.append)
    assert len(told) == 1
    assert told[0].endswith("is disabled: RuntimeError: old")
