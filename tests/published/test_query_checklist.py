"""The open OSC query protocol, rule by rule, on a daemon of its own.

Source: OSCQuery proposal, third revision, 2018; the numbers are those of our own list of what it demands (Q1-Q13). For
N5: A. Freed and A. Schmeder, "Features and Future of Open Sound Control version 1.1 for NIME" (2009).
"""

from __future__ import annotations

import asyncio
import json
import socket
import subprocess
import sys
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from conftest import need
from e2e.oscservice_process import DaemonProcess, environment, in_own_network, running_daemon
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from yarl import URL

PATIENCE_S = 20.0
INSTRUMENT = "six-string-648"
UNITS = {"time.cents", "time.hz", "time.second", "time.ms", "distance.mm", "gain.db"}
"""Those of the proposal's list that fit."""
OWN_UNITS = {"h", "turns", "N", "days", "semitones"}
OPTIONAL = {"ACCESS", "VALUE", "RANGE", "DESCRIPTION", "TAGS", "EXTENDED_TYPE", "UNIT", "CRITICAL", "CLIPMODE"} | {
    "OVERLOADS",
    "HTML",
}
HOST_INFO = {"NAME", "EXTENSIONS", "OSC_IP", "OSC_PORT", "OSC_TRANSPORT", "WS_IP", "WS_PORT"}


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaemonProcess]:
    """A daemon with a simulated guitar and a session begun on it."""
    journal = tmp_path_factory.mktemp("query") / "journal.db"
    with running_daemon(journal, "--source", "simulated", "--stepped", "--name", "bench two") as running:
        running.client().begin(INSTRUMENT)
        yield running


def got(daemon: DaemonProcess, path: str, method: str = "GET", **headers: str) -> tuple[int, str, Any]:
    """Status, type and body (as JSON where it is) of what is answered over HTTP."""

    async def ask() -> tuple[int, str, Any]:
        url = URL(f"http://127.0.0.1:{daemon.port}{path}", encoded=True)
        async with aiohttp.ClientSession() as session, session.request(method, url, headers=headers) as answer:
            kind = answer.headers.get("Content-Type", "")
            body = await answer.read()
            return answer.status, kind, json.loads(body) if kind == "application/json" and body else body

    return asyncio.run(asyncio.wait_for(ask(), PATIENCE_S))


def tree(daemon: DaemonProcess, path: str = "/") -> dict[str, Any]:
    status, kind, told = got(daemon, path)
    assert (status, kind) == (200, "application/json")
    assert isinstance(told, dict)
    return told


def nodes(told: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """A node and all below it, with the path its place gives it."""

    def walk(path: str, node: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
        yield path, node
        for name, child in node.get("CONTENTS", {}).items():
            yield from walk(f"{path.rstrip('/')}/{name}", child)

    return walk(told["FULL_PATH"], told)


def methods(daemon: DaemonProcess) -> list[tuple[str, dict[str, Any]]]:
    found = [(path, node) for path, node in nodes(tree(daemon)) if "TYPE" in node]
    assert len(found) > 300
    return found


def talk(
    daemon: DaemonProcess, talking: Callable[[aiohttp.ClientWebSocketResponse], Coroutine[Any, Any, None]]
) -> None:
    """Open a WebSocket and talk over it."""

    async def open_and_talk() -> None:
        url = f"ws://127.0.0.1:{daemon.port}/"
        async with aiohttp.ClientSession() as session, session.ws_connect(url) as connection:
            await talking(connection)

    asyncio.run(asyncio.wait_for(open_and_talk(), PATIENCE_S))


def message(address: str, *values: float | str) -> bytes:
    builder = OscMessageBuilder(address)
    for value in values:
        builder.add_arg(value)
    packet: bytes = builder.build().dgram
    return packet


async def osc(connection: aiohttp.ClientWebSocketResponse) -> tuple[str, tuple[Any, ...]]:
    """The next frame, which has to be a binary one."""
    found = OscMessage(await connection.receive_bytes())
    return found.address, tuple(found.params)


def test_q1_get_of_an_osc_path_is_answered_with_json_and_the_fragment_is_ignored(daemon: DaemonProcess) -> None:
    done = subprocess.run(
        [need("curl", "curl"), "-sS", "-i", f"http://127.0.0.1:{daemon.port}/bench/phase?VALUE"],
        capture_output=True,
        check=True,
        timeout=PATIENCE_S,
    )
    head, _, body = done.stdout.decode().partition("\r\n\r\n")
    assert head.startswith("HTTP/1.1 200 OK\r\n")
    assert "\r\nContent-Type: application/json\r\n" in head + "\r\n"
    assert json.loads(body) == {"VALUE": ["tuning"]}
    with socket.create_connection(("127.0.0.1", daemon.port), timeout=PATIENCE_S) as raw:
        raw.sendall(b"GET /bench/phase?VALUE#fragment HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        said = b"".join(iter(lambda: raw.recv(65536), b""))
    assert said.startswith(b"HTTP/1.1 200 OK\r\n")
    assert json.loads(said.partition(b"\r\n\r\n")[2]) == {"VALUE": ["tuning"]}


def test_q2_without_a_query_the_node_with_all_its_sub_nodes(daemon: DaemonProcess) -> None:
    told = tree(daemon, "/bench/string/1/saddle")
    assert {name for name, _ in nodes(told)} >= {
        "/bench/string/1/saddle/move",
        "/bench/string/1/saddle/error",
        "/bench/string/1/saddle/error/spread",
    }
    everything = dict(nodes(tree(daemon)))
    assert [path for path, _ in nodes(told)] == [p for p in everything if p.startswith("/bench/string/1/saddle")]
    for path, node in nodes(told):
        assert tree(daemon, path) == node


def test_q3_every_node_has_its_path_containers_contents_and_methods_a_type(daemon: DaemonProcess) -> None:
    found = list(nodes(tree(daemon)))
    assert len(found) > 400
    for path, node in found:
        assert node["FULL_PATH"] == path
        assert node.get("CONTENTS") != {}
        assert "CONTENTS" in node or "TYPE" in node
        assert set(node.get("TYPE", "")) <= set("ifs")
    told = dict(found)
    assert set(told["/bench/string"]) == {"FULL_PATH", "CONTENTS"}  # a container, and no method
    assert {"CONTENTS", "TYPE"} <= set(told["/bench/prompt"])  # both
    assert "CONTENTS" not in told["/bench/string/6/cents"]
    assert told["/bench/session/begin"]["TYPE"] == "ssfss"
    assert told["/bench/session/next"]["TYPE"] == ""


def test_q4_host_info_is_answered_on_any_path_but_only_when_asked_for(daemon: DaemonProcess) -> None:
    status, kind, told = got(daemon, "/?HOST_INFO")
    assert (status, kind) == (200, "application/json")
    assert set(told) <= HOST_INFO
    assert told["NAME"] == "bench two"
    assert (told["OSC_IP"], told["OSC_PORT"], told["OSC_TRANSPORT"]) == ("127.0.0.1", daemon.port, "UDP")
    assert (told["WS_IP"], told["WS_PORT"]) == ("127.0.0.1", daemon.port)
    assert all(value is True for value in told["EXTENSIONS"].values())
    for path in ("/bench/string/1/cents", "/bench/string", "/no/such/node"):
        assert got(daemon, f"{path}?HOST_INFO") == (200, "application/json", told)
    for _, node in nodes(tree(daemon)):
        assert not HOST_INFO & set(node)


def test_q5_one_attribute_is_answered_by_itself_or_by_an_empty_object(daemon: DaemonProcess) -> None:
    node = tree(daemon, "/bench/string/1/moved")
    for attribute, value in node.items():
        assert got(daemon, f"/bench/string/1/moved?{attribute}") == (200, "application/json", {attribute: value})
    assert got(daemon, "/bench/string?TYPE") == (200, "application/json", {})
    assert got(daemon, "/bench/phase?CONTENTS") == (200, "application/json", {})
    assert got(daemon, "/bench/phase?UNIT") == (200, "application/json", {})


def test_q6_requests_without_an_answer_have_their_status(daemon: DaemonProcess) -> None:
    assert got(daemon, "/no/such/node")[0] == 404
    assert got(daemon, "/bench/string/7")[0] == 404
    assert got(daemon, "/bench/phase/")[0] == 404
    for attribute in ("HTML", "EXTENDED_TYPE", "value", "NONSENSE", "VALUE&TYPE", "VALUE=1"):
        assert got(daemon, f"/bench/phase?{attribute}")[0] == 400, attribute
    assert got(daemon, "/bench/session/begin?VALUE") == (204, "", b"")
    for method in ("POST", "PUT", "DELETE", "OPTIONS", "PATCH"):
        assert got(daemon, "/bench/phase", method)[0] == 405, method
    assert got(daemon, "/bench/phase", "HEAD") == (200, "application/json", b"")


def test_q8_optional_attributes_are_those_that_extensions_names(daemon: DaemonProcess) -> None:
    extensions = set(got(daemon, "/?HOST_INFO")[2]["EXTENSIONS"])
    used = {name for _, node in methods(daemon) for name in node} - {"FULL_PATH", "CONTENTS", "TYPE"}
    assert used == extensions & OPTIONAL
    commands = {"LISTEN", "IGNORE", "PATH_ADDED", "PATH_REMOVED"}
    assert extensions - OPTIONAL == commands
    for path, node in methods(daemon):
        assert node["ACCESS"] in (1, 2), path
        assert (node["ACCESS"] == 1) == ("VALUE" in node), path
        assert isinstance(node["CRITICAL"], bool)
        assert node["DESCRIPTION"]
        assert len(node["TAGS"]) == 1
    told = dict(methods(daemon))
    assert (told["/bench/string/1/moved"]["ACCESS"], told["/bench/string/1/moved"]["CRITICAL"]) == (2, True)
    assert (told["/bench/string/1/cents"]["ACCESS"], told["/bench/string/1/cents"]["CRITICAL"]) == (1, False)


def test_q9_lists_have_one_item_for_each_type_tag(daemon: DaemonProcess) -> None:
    for path, node in methods(daemon):
        for name in ("VALUE", "RANGE", "UNIT", "CLIPMODE"):
            if name in node:
                assert isinstance(node[name], list)
                assert len(node[name]) == len(node["TYPE"]), (path, name)
        for item in node.get("RANGE", []):
            assert item is None or (item and set(item) <= {"MIN", "MAX", "VALS"}), path
        assert set(node.get("CLIPMODE", [])) <= {"none"}
        for other in node.get("OVERLOADS", []):  # with fewer arguments, or with a length as a text
            assert node["TYPE"].startswith(other["TYPE"]) or other["TYPE"] == node["TYPE"].replace("f", "s"), path
    assert tree(daemon, "/bench/reading")["UNIT"][:6] == [None, None, None, None, None, "time.hz"]


def test_q10_values_have_the_json_form_of_their_type(daemon: DaemonProcess) -> None:
    forms = {"i": int, "f": (int, float), "s": str}
    seen = set()
    for path, node in methods(daemon):
        for tag, value in zip(node["TYPE"], node.get("VALUE", []), strict=node["ACCESS"] == 1):
            assert value is None or (isinstance(value, forms[tag]) and not isinstance(value, bool)), path
            seen.add((tag, value is None))
    assert seen == {(tag, known) for tag in "ifs" for known in (False, True)}
    assert tree(daemon, "/bench/string/1/cents")["VALUE"] == [None]  # not plucked yet


def test_q11_a_websocket_on_the_http_port_carries_osc_in_binary_frames_both_ways(daemon: DaemonProcess) -> None:
    async def talking(connection: aiohttp.ClientWebSocketResponse) -> None:
        await connection.send_bytes(message("/bench/version"))
        address, values = await osc(connection)
        assert (address, values[:2]) == ("/bench/reply", ("/bench/version", "oscservice"))
        await connection.send_bytes(message("/bench/subscribe"))
        address, values = await osc(connection)
        assert (address, values[0]) == ("/bench/reply", "/bench/subscribe")
        heard: dict[str, tuple[Any, ...]] = {}
        while "/bench/prompt" not in heard:  # the last of the whole state; every frame is a binary one
            heard.update([await osc(connection)])
        assert heard["/bench/phase"] == ("tuning",)
        await connection.send_bytes(message("/bench/by_hand"))
        await connection.send_bytes(message("/bench/session/by_hand", 1))
        while heard["/bench/by_hand"] != (1,):
            heard.update([await osc(connection)])
        await connection.send_bytes(message("/bench/session/by_hand", 0))
        while heard["/bench/by_hand"] != (0,):
            heard.update([await osc(connection)])

    talk(daemon, talking)


def test_q12_listen_sends_the_changes_of_one_exact_path_until_ignore_or_the_end(daemon: DaemonProcess) -> None:
    other = daemon.client()

    async def talking(connection: aiohttp.ClientWebSocketResponse) -> None:
        async def say(command: str, path: str) -> None:
            await connection.send_str(json.dumps({"COMMAND": command, "DATA": path}))

        async def heard_until_version() -> list[tuple[str, tuple[Any, ...]]]:
            await connection.send_bytes(message("/bench/version"))  # answered in turn, after all there was before
            heard = []
            while True:
                heard.append(await osc(connection))
                if heard[-1][0] == "/bench/reply":
                    return heard[:-1]

        await say("LISTEN", "/bench/by_hand")
        await say("LISTEN", "/bench/prompt")  # and nothing of /bench/prompt/text, which changes as often
        assert await heard_until_version() == []  # present values are got over HTTP
        assert other.ask("/session/by_hand", 1) == ()
        assert await osc(connection) == ("/bench/by_hand", (1,))
        assert other.ask("/session/by_hand", 0) == ()
        assert await osc(connection) == ("/bench/by_hand", (0,))
        assert other.ask("/string/3/focus") == ()
        other.until_it_is("/focus/string", 3)
        assert {address for address, _ in await heard_until_version()} <= {"/bench/prompt"}
        await say("IGNORE", "/bench/by_hand")
        assert await heard_until_version() == []
        assert other.ask("/session/by_hand", 1) == ()
        assert other.ask("/session/by_hand", 0) == ()
        other.until_it_is("/by_hand", 0)
        assert not [address for address, _ in await heard_until_version() if address == "/bench/by_hand"]

    assert other.ask("/subscribe")[0] >= 90
    talk(daemon, talking)


def test_q12_clients_are_notified_of_added_and_removed_strings_and_frets(tmp_path: Path) -> None:
    async def talking(connection: aiohttp.ClientWebSocketResponse) -> None:
        async def told_until(address: str, *values: Any) -> list[tuple[str, str]]:
            told = []
            async for frame in connection:
                if frame.type is aiohttp.WSMsgType.BINARY:  # subscribed values come after
                    found = OscMessage(frame.data)
                    assert (found.address, tuple(found.params)) == (address, values)
                    break
                told.append(json.loads(frame.data))
            return [(frame["COMMAND"], frame["DATA"]) for frame in told]

        def on_another() -> None:
            assert client.ask("/session/abandon") == ()
            client.ask("/session/begin", "bass-4-864", "another test (invented)")

        loop = asyncio.get_running_loop()
        for path in ("/bench/string/6/status", "/bench/instrument"):  # also before there are strings
            await connection.send_str(json.dumps({"COMMAND": "LISTEN", "DATA": path}))
        await connection.send_bytes(message("/bench/version"))
        assert (await osc(connection))[0] == "/bench/reply"
        await loop.run_in_executor(None, client.ask, "/session/begin", INSTRUMENT, "a test (invented)")
        assert await told_until("/bench/instrument", INSTRUMENT) == [("PATH_ADDED", "/bench/string")]
        assert await told_until("/bench/string/6/status", "untried") == []
        value = await loop.run_in_executor(None, got, running, "/bench/string/6/fret/24/error?VALUE")
        assert value[2] == {"VALUE": [None]}
        await loop.run_in_executor(None, on_another)
        frets = [f"/bench/string/{string}/fret/{fret}" for string in range(1, 5) for fret in range(21, 25)]
        gone = sorted([*frets, "/bench/string/5", "/bench/string/6"])
        told = await told_until("/bench/instrument", "bass-4-864")
        assert sorted(told) == [("PATH_REMOVED", path) for path in gone]

    with running_daemon(tmp_path / "journal.db", "--source", "simulated", "--stepped") as running:
        client = running.client()
        assert got(running, "/bench/string")[0] == 404
        talk(running, talking)
        assert set(tree(running, "/bench/string")["CONTENTS"]) == {"1", "2", "3", "4"}
        assert set(tree(running, "/bench/string/1/fret")["CONTENTS"]) == {str(fret) for fret in range(1, 21)}


def test_q12_a_client_that_sent_no_text_gets_no_text(tmp_path: Path) -> None:
    async def talking(connection: aiohttp.ClientWebSocketResponse) -> None:
        await connection.send_bytes(message("/bench/session/begin", INSTRUMENT, "a test (invented)"))
        assert (await osc(connection))[1][0] == "/bench/session/begin"  # the first frame, and not of what came with it
        await connection.send_bytes(message("/bench/version"))
        assert (await osc(connection))[1][0] == "/bench/version"

    with running_daemon(tmp_path / "journal.db", "--source", "simulated", "--stepped") as running:
        talk(running, talking)


def test_q13_units_go_by_the_names_of_the_list(daemon: DaemonProcess) -> None:
    used = {unit for _, node in methods(daemon) for unit in node.get("UNIT", []) if unit is not None}
    assert used - OWN_UNITS <= UNITS
    for path, unit in (
        ("string/1/cents", "time.cents"),
        ("string/1/hz", "time.hz"),
        ("string/1/saddle/move", "distance.mm"),
        ("string/1/level", "gain.db"),
        ("alive", "time.second"),
        ("string/1/saddle/turns", "turns"),
    ):
        assert tree(daemon, f"/bench/{path}")["UNIT"][0] == unit


BROWSING = Path(__file__).parents[1] / "e2e" / "service_browser.py"
Browsed = tuple[dict[str, tuple[Any, ...]], list[str]]
KINDS = ("_osc._tcp.local.", "_osc._udp.local.", "_oscjson._tcp.local.")
HOUSE = """
set -eu
ip link set lo multicast on
ip route add 224.0.0.0/4 dev lo
cd "$2"
mkfifo told go
"$1" -m oscservice serve --source simulated --stepped --port 9787 --journal journal.db --announce --name "bench two" \\
  > served.txt 2> served-errors.txt &
served=$!
exec 3<>go
"$1" "${@:3}" < go > told &
exec 4< told
read -r line <&4; printf '%s\\n' "$line"
kill -TERM $served
wait $served
echo >&3
read -r line <&4; printf '%s\\n' "$line"
cat served-errors.txt
"""


@pytest.fixture(scope="module")
def browsed(tmp_path_factory: pytest.TempPathFactory) -> Browsed:
    """Return the services that another program finds of a daemon, by kind: name, port, addresses and properties; and
    who took leave."""
    words = [str(tmp_path_factory.mktemp("browsed")), str(BROWSING), "127.0.0.1", str(len(KINDS)), *KINDS]
    done = subprocess.run(
        [*in_own_network(), "bash", "-c", HOUSE, "house", sys.executable, *words],
        capture_output=True,
        env=environment(),
        timeout=60,
    )
    lines = done.stdout.decode().splitlines()
    assert len(lines) == 2, (lines, done.stderr.decode())
    found, gone = map(json.loads, lines)
    assert len(found) == len(KINDS)
    return {kind: tuple(rest) for kind, *rest in found}, gone


def check_found(browsed: Browsed, kind: str) -> dict[str, str]:
    """It is there under its name, port and address, and took leave; gives its properties."""
    found, gone = browsed
    *place, properties = found[kind]
    assert place == [f"bench two.{kind}", 9787, ["127.0.0.1"]]
    assert f"bench two.{kind}" in gone
    assert len(gone) == len(KINDS)
    return dict(properties)


def test_n5_osc_is_found_over_udp_and_tcp_with_its_keys_and_takes_its_leave(
    browsed: Browsed,
) -> None:
    for kind, framing in (("_osc._udp.local.", "datagram"), ("_osc._tcp.local.", "slip")):
        assert check_found(browsed, kind) == {
            "txtvers": "1",
            "version": "1.1",
            "framing": framing,
            "types": "ifsbhtdScrmTFNI",
            "uri": "http://127.0.0.1:9787/bench",
        }


def test_q7_the_description_is_announced_as_oscjson_next_to_osc_over_udp_and_withdrawn(
    browsed: Browsed,
) -> None:
    assert check_found(browsed, "_oscjson._tcp.local.") == {"txtvers": "1"}
    check_found(browsed, "_osc._udp.local.")  # some clients need it
