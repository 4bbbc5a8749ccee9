"""The house: imports go down only, and what lies below the line touches no clock, thread, socket or file."""

from __future__ import annotations

import ast
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path

import oscservice

ROOT = Path(oscservice.__file__).parent
FLOORS = (
    ("errors",),
    ("osc",),
    ("defaults", "toml_file"),
    ("sentences",),
    ("instrument",),
    ("hearing",),
    ("advice",),
    ("session",),
    ("simulate",),
    ("audio",),
    ("plugins",),
    ("archive",),
    ("record",),
    ("check",),
    ("report",),
    ("api",),
    ("settings",),
    ("bindings",),
    ("daemon",),
    ("cli",),
)
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
PURE = ("hearing", "advice", "session")
IMPURE_MODULES = {"time", "threading", "socket", "asyncio", "random", "sqlite3", "os", "subprocess", "datetime", "io"}


def imports(path: Path) -> list[tuple[str, int]]:
    """Modules a file imports anywhere in it, with their lines."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            found.append((node.module or "", node.lineno))
    return found


def files() -> list[tuple[str, Path]]:
    """Room and file of every module that stands in a room."""
    found = [(path.relative_to(ROOT).parts[0].removesuffix(".py"), path) for path in sorted(ROOT.rglob("*.py"))]
    return [(room, path) for room, path in found if room not in ("__init__", "__main__")]


def test_every_room_has_a_floor() -> None:
    assert {room for room, _ in files()} == set(LEVEL)


def test_imports_go_down_only() -> None:
    wrong = []
    for room, path in files():
        for module, line in imports(path):
            parts = module.split(".")
            if parts[0] == "oscservice" and len(parts) > 1 and LEVEL[parts[1]] > LEVEL[room]:
                wrong.append(f"{path.relative_to(ROOT)}:{line} imports {module}")
    assert wrong == []


def test_osc_could_be_lifted_out() -> None:
    found = {module for room, path in files() if room == "osc" for module, _ in imports(path)}
    own = {module for module in found if module.split(".")[0] == "oscservice"}
    assert {module for module in own if not module.startswith("oscservice.osc.")} == {"oscservice.errors"}


def test_what_is_pure_touches_no_clock_thread_socket_or_file() -> None:
    wrong = []
    for room, path in files():
        if room in PURE:
            wrong += [f"{path.name}:{n} imports {m}" for m, n in imports(path) if m.split(".")[0] in IMPURE_MODULES]
    assert wrong == []


def test_no_module_imports_itself_by_way_of_others() -> None:
    names = {".".join(("oscservice", *path.relative_to(ROOT).with_suffix("").parts)): path for _, path in files()}
    graph: dict[str, set[str]] = {}
    for name, path in names.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        at_top = [node for node in tree.body if isinstance(node, ast.ImportFrom)]
        both = {one for node in at_top for one in (node.module, *(f"{node.module}.{a.name}" for a in node.names))}
        graph[name] = {one for one in both if one in names}
    TopologicalSorter(graph).prepare()  # raises CycleError with the modules on the way


def test_a_file_name_and_the_name_of_a_public_class_occur_once() -> None:
    classes = Counter(
        node.name
        for _, path in files()
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert [name for name, count in classes.items() if count > 1] == []
    names = Counter(path.name for _, path in files() if path.name != "__init__.py")
    assert [name for name, count in names.items() if count > 1] == []


def test_a_file_has_600_lines_at_most() -> None:
    lengths = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for _, path in files()}
    assert {name: count for name, count in lengths.items() if count > 600} == {}
