"""A program that looks for services on the network (DNS-SD), as one on another machine would.

    python service_browser.py INTERFACE COUNT KIND...

Prints as JSON the services it has found once there are COUNT of them, by kind and port: kind, name, port, addresses,
properties. Then, for a line on standard input, it prints the names of the services that have ended.
"""

from __future__ import annotations

import json
import sys
import time

from zeroconf import ServiceBrowser, ServiceStateChange, Zeroconf

FOUND_S, GONE_S = 20.0, 10.0


def main(interface: str, count: int, kinds: list[str]) -> None:
    """Find and lose so many services."""
    found: dict[str, tuple[str, str, int, list[str], dict[str, str | None]]] = {}
    gone: set[str] = set()

    def changed(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        if state_change is ServiceStateChange.Removed:
            gone.add(name)
            return
        info = zeroconf.get_service_info(service_type, name)
        if info is not None and info.port is not None:
            found[name] = service_type, name, info.port, info.parsed_addresses(), dict(info.decoded_properties)

    zeroconf = Zeroconf(interfaces=[interface])
    ServiceBrowser(zeroconf, kinds, handlers=[changed])
    end = time.monotonic() + FOUND_S
    while len(found) < count and time.monotonic() < end:
        time.sleep(0.05)
    print(json.dumps(sorted(found.values(), key=lambda one: (one[0], one[2]))), flush=True)
    sys.stdin.readline()
    end = time.monotonic() + GONE_S
    while len(gone) < count and time.monotonic() < end:
        time.sleep(0.05)
    print(json.dumps(sorted(gone)), flush=True)
    zeroconf.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3:])
