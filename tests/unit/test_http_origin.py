"""Requests that a page can cause in a browser: their Host and Origin headers."""

from __future__ import annotations

import pytest

from oscservice.osc.http_server import host_is_ours, origin_is_near

OURS = frozenset({"localhost", "shop", "shop.local"})


@pytest.mark.parametrize(
    "host",
    [
        *("127.0.0.1", "127.0.0.1:9787", "192.168.7.2:9787", "[::1]:9787", "[fe80::1]"),
        *("localhost", "localhost:9787", "Shop.local:9787", "SHOP", "shop.local."),
    ],
)
def test_an_ip_address_or_a_name_of_this_machine_is_ours(host: str) -> None:
    assert host_is_ours(host, OURS)


@pytest.mark.parametrize(
    "host",
    [
        *("", ":9787", "evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "shop.locals"),
        *(
            "user@localhost",
            "localhost:9787:1",
            "localhost:",
            "[localhost]",
            "localhost/",
            "127.0.0.1 ",
            "::1",
            "1.2.3",
        ),
        *("localhost:123456", "[::1]evil", "locаlhost"),
    ],
)
def test_any_other_host_is_not(host: str) -> None:
    assert not host_is_ours(host, OURS)


@pytest.mark.parametrize(
    "origin",
    [
        *("http://localhost", "http://localhost:8080", "https://127.0.0.1:1", "http://[::1]:3000", "http://127.9.9.9"),
        *("http://shop.local", "http://shop.local:8080", "http://SHOP.local"),
    ],
)
def test_a_page_of_the_asked_host_or_the_loopback_is_near(origin: str) -> None:
    assert origin_is_near(origin, "shop.local:9787")


def test_a_client_other_than_a_browser_has_no_origin() -> None:
    assert origin_is_near(None, "shop.local:9787")


@pytest.mark.parametrize(
    "origin",
    [
        *("null", "", "http://", "http://evil.example", "http://127.evil.example", "http://127.0.0.1.evil.example"),
        *("http://localhost.evil.example", "http://localhost@evil.example", "file://", "ftp://localhost"),
        *(
            "http://192.168.7.9",
            "http://localhost:1/page",
            "moz-extension://localhost",
            "http://evil.example#localhost",
        ),
    ],
)
def test_any_other_page_is_not(origin: str) -> None:
    assert not origin_is_near(origin, "shop.local:9787")
