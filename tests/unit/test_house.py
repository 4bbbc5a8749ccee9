"""The house: imports go down only, and what lies below the line touches no clock, thread, socket or file."""

from __future__ import annotations

import ast
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path
from typing import TypeGuard

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
LEVEL = {package: level for level, packages in enumerate(FLOORS) for package in packages}
PURE = ("hearing", "advice", "session")
READ_FILES = ("errors", "defaults", "toml_file", "sentences", "instrument")
IMPURE_MODULES = {"time", "threading", "socket", "asyncio", "random", "sqlite3", "subprocess"}
FILE_MODULES = {"datetime", "io", "os", "pathlib", "importlib", "shutil", "tempfile"}


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
    """Package and file of every module."""
    found = [(path.relative_to(ROOT).parts[0].removesuffix(".py"), path) for path in sorted(ROOT.rglob("*.py"))]
    return [(package, path) for package, path in found if package not in ("__init__", "__main__")]


def test_every_package_has_a_floor() -> None:
    assert {package for package, _ in files()} == set(LEVEL)


def test_imports_go_down_only() -> None:
    wrong = []
    for package, path in files():
        for module, line in imports(path):
            parts = module.split(".")
            if parts[0] == "oscservice" and len(parts) > 1 and LEVEL[parts[1]] > LEVEL[package]:
                wrong.append(f"{path.relative_to(ROOT)}:{line} imports {module}")
    assert wrong == []


def test_one_module_of_the_api_knows_checks_of_recordings() -> None:
    api = [path for package, path in files() if package == "api"]
    found = {path.name for path in api for module, _ in imports(path) if module.startswith("oscservice.check")}
    assert found == {"check_messages.py"}


def test_osc_could_be_lifted_out() -> None:
    found = {module for package, path in files() if package == "osc" for module, _ in imports(path)}
    own = {module for module in found if module.split(".")[0] == "oscservice"}
    assert {module for module in own if not module.startswith("oscservice.osc.")} == {"oscservice.errors"}


def test_pure_packages_use_no_clock_thread_socket_or_file() -> None:
    unwanted = dict.fromkeys(READ_FILES, IMPURE_MODULES) | dict.fromkeys(PURE, IMPURE_MODULES | FILE_MODULES)
    wrong = []
    for package, path in files():
        names = unwanted.get(package, set())
        wrong += [f"{path.name}:{line} imports {m}" for m, line in imports(path) if m.split(".")[0] in names]
        if package in PURE:
            nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            wrong += [f"{path.name}:{node.lineno} opens a file" for node in nodes if is_open(node)]
    assert wrong == []


def is_open(node: ast.AST) -> TypeGuard[ast.Call]:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "open"


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
