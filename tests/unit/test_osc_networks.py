"""Networks that packets are taken from."""

from __future__ import annotations

import pytest

from oscservice.errors import InputError
from oscservice.osc.peer import Networks


@pytest.mark.parametrize(
    ("host", "allowed"),
    [
        ("192.0.2.0", True),
        ("192.0.2.255", True),
        ("::ffff:192.0.2.7", True),
        ("192.0.3.0", False),
        ("198.51.100.7", True),
        ("198.51.100.8", False),
        ("2001:db8::1", True),
        ("2001:db9::1", False),
        ("fe80::1%eth0", False),
        ("127.0.0.1", True),
        ("::1", True),
        ("nonsense", False),
        ("", False),
    ],
)
def test_addresses_are_on_a_network_or_not(host: str, allowed: bool) -> None:
    """The documentation ranges of RFC 5737 and RFC 3849."""
    assert Networks(["192.0.2.0/24", "198.51.100.7", "2001:db8::/32"]).allow(host) is allowed


@pytest.mark.parametrize("text", ["", "192.0.2.1/24", "192.0.2.0/33", "everyone", "192.0.2"])
def test_a_text_that_is_no_network_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(InputError, match="is no network: give one like") as refusal:
        Networks([text])
    assert "\n" not in str(refusal.value)
