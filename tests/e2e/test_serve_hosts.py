"""Hosts on a network can't direct the daemon at a third host, or make it send much more than it was sent."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from conftest import need
from oscservice_process import ROOT, in_own_network

from oscservice.osc.execution import ANSWER_GROWTH

pytestmark = [pytest.mark.foreign, pytest.mark.slow]


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Any]:
    """The packets that arrived at each host."""
    need("nsenter", "util-linux")
    here = Path(__file__).parent
    done = subprocess.run(
        [*in_own_network(), sys.executable, str(here / "three_hosts.py"), str(tmp_path_factory.mktemp("hosts"))],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (ROOT, here.parent, here)))},
        capture_output=True,
        text=True,
        timeout=150,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_a_forged_subscription_aims_nothing_at_a_bystander(seen: Mapping[str, Any]) -> None:
    """It gets only the answers to the forged packets, less than three times as long together; then nothing more."""
    spoofed = seen["spoofed"]
    assert set(spoofed["victim_heard"]) == {"/bench/reply", "/bench/error"}
    assert len(spoofed["victim_heard"]) <= 7
    assert spoofed["victim_bytes"] < ANSWER_GROWTH * spoofed["forged_bytes"]


def test_a_client_that_proves_its_address_is_sent_the_stream(seen: Mapping[str, Any]) -> None:
    (to_subscribe, to_confirm, again), heard = seen["spoofed"]["answers"], seen["spoofed"]["honest_heard"]
    assert to_subscribe[0] == "/bench/reply"
    assert to_subscribe[1][:2] == ["/bench/subscribe", 0]
    assert to_confirm[0] == "/bench/reply"
    assert to_confirm[1][1] >= 90  # seconds of lease
    assert "/bench/phase" in heard
    assert heard.count("/bench/alive") >= 2
    assert again[0] != "/bench/reply"  # a token holds once


def test_answers_have_less_than_three_times_the_bytes_sent(seen: Mapping[str, Any]) -> None:
    """Every command, patterns, bad packets and wicked ones; as bytes carried, and as bytes on the network."""
    ratios = seen["ratios"]
    assert ratios["asked"] > 100
    assert ratios["answered"] > 90
    assert 1.0 < ratios["worst"] < ANSWER_GROWTH, ratios["worst_packet"]


def test_a_host_on_no_allowed_network_is_not_answered_but_counted(seen: Mapping[str, Any]) -> None:
    address, values = seen["refused"]["status"]
    assert seen["refused"]["came"] == 0
    assert address == "/bench/reply"
    assert values[0] == "/bench/status"
    assert values[8] == 3  # uptime, subscribers, audio, phase, packets, bad, dropped, refused
