"""Leases: idempotent, bounded, and only to the sender's own IP."""

from __future__ import annotations

import pytest

from oscservice.osc.peer import Peer
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.osc.subscriptions import Subscribers

HERE = Peer("192.0.2.1", 5000)  # an address of the documentation range, RFC 5737


def test_a_lease_lasts_and_ends() -> None:
    subscribers = Subscribers(lease_s=120)
    assert subscribers.subscribe(HERE, now=10.0) == HERE
    assert subscribers.next_end() == 130.0
    assert subscribers.expire(129.9) == []
    assert subscribers.targets() == [HERE]
    assert subscribers.expire(130.0) == [HERE]
    assert subscribers.expire(131.0) == []
    assert subscribers.targets() == []
    assert subscribers.next_end() is None


def test_subscribing_again_renews_and_adds_nothing() -> None:
    subscribers = Subscribers(lease_s=120)
    for now in (0.0, 100.0):
        subscribers.subscribe(HERE, now)
    assert len(subscribers) == 1
    assert subscribers.expire(219.0) == []


@pytest.mark.parametrize("port", [None, 6000])
def test_anything_from_the_socket_that_subscribed_renews(port: int | None) -> None:
    subscribers = Subscribers(lease_s=120)
    target = subscribers.subscribe(HERE, 0.0, port)
    subscribers.renew(HERE, 100.0)
    assert subscribers.expire(219.0) == []
    subscribers.renew(target, 219.0)
    assert subscribers.expire(338.0) == []
    subscribers.renew(Peer(HERE[0], 7000), 338.0)
    assert subscribers.expire(339.0) == [target]


def test_a_lease_that_has_ended_is_not_renewed() -> None:
    subscribers = Subscribers(lease_s=120)
    subscribers.subscribe(HERE, 0.0)
    subscribers.renew(HERE, 120.0)
    assert subscribers.expire(120.0) == [HERE]


def test_values_go_to_the_senders_address_on_any_port() -> None:
    assert Subscribers().subscribe(HERE, 0.0, 9000) == Peer(HERE[0], 9000)


@pytest.mark.parametrize("port", [0, 53, 1023, 65536, -1])
def test_ports_of_the_system_are_refused(port: int) -> None:
    subscribers = Subscribers()
    with pytest.raises(OscRefusal) as refusal:
        subscribers.subscribe(HERE, 0.0, port)
    assert refusal.value.code is ErrorCode.OUT_OF_RANGE
    with pytest.raises(OscRefusal):
        subscribers.subscribe(Peer(HERE[0], 53), 0.0)
    assert len(subscribers) == 0


def test_eight_an_address_and_thirty_two_altogether() -> None:
    subscribers = Subscribers()
    for host in range(4):
        for port in range(8):
            subscribers.subscribe(Peer(f"192.0.2.{host}", 5000 + port), 0.0)
        with pytest.raises(OscRefusal) as refusal:
            subscribers.subscribe(Peer(f"192.0.2.{host}", 6000), 0.0)
        assert refusal.value.code is ErrorCode.TOO_MANY
    with pytest.raises(OscRefusal) as refusal:
        subscribers.subscribe(Peer("192.0.2.9", 5000), 0.0)
    assert refusal.value.code is ErrorCode.TOO_MANY
    subscribers.subscribe(Peer("192.0.2.0", 5000), 60.0)  # renewing is always possible
    subscribers.subscribe(Peer("192.0.2.9", 5000), 121.0)  # the others have ended by now
    assert len(subscribers) == 2


def test_unsubscribing() -> None:
    subscribers = Subscribers()
    subscribers.subscribe(HERE, 0.0)
    subscribers.subscribe(HERE, 0.0, 6000)
    assert subscribers.unsubscribe(HERE) == HERE
    assert subscribers.unsubscribe(HERE) == Peer(HERE[0], 6000)  # the lease this socket took for another port
    with pytest.raises(OscRefusal) as refusal:
        subscribers.unsubscribe(HERE, 6000)
    assert refusal.value.code is ErrorCode.NOT_FOUND
