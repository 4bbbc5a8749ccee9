"""Docstrings: functions that take or return arrays describe them in numpydoc form; none begins with a question or
says "return whether".

A public function or method with an array in its signature has a summary of one line, `Parameters` with the shape of
every array, `Returns` (or `Yields`) unless it returns None, and `Raises` when it raises. Array fields and array
properties of a public class are in the `Attributes` of the class, with shapes; a property may have `Returns` instead.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import oscservice

ROOT = Path(oscservice.__file__).parent
TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted(ROOT.rglob("*.py"))}
FIRST_WORDS = ("What", "Whether", "How", "Why", "Where", "Which", "Who", "By")
Function = ast.FunctionDef | ast.AsyncFunctionDef
Documented = Function | ast.ClassDef | ast.Module


def mentions(annotation: ast.expr | None, names: set[str]) -> bool:
    """True when an annotation holds one of these names, in whatever container."""
    for node in ast.walk(annotation) if annotation else ():
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.isidentifier():
            if node.value in names:
                return True
        elif (isinstance(node, ast.Name) and node.id in names) or (
            isinstance(node, ast.Attribute) and node.attr in names
        ):
            return True
    return False


def array_names() -> set[str]:
    """Names of array types: those of numpy, and every alias of one at the top of a module."""
    names = {"NDArray", "ndarray", "ArrayLike"}
    while True:
        found = {
            target.id
            for tree in TREES.values()
            for node in tree.body
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript) and mentions(node.value, names)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        if found <= names:
            return names
        names |= found


ARRAYS = array_names()


def sections(node: Documented) -> dict[str, str]:
    """Text of each underlined section of a docstring, by its title."""
    parts = re.split(r"^(\w+)\n-{3,}$", ast.get_docstring(node) or "", flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def described(section: str) -> dict[str, str]:
    """Names that a section describes, with the text of each: `name : type`, or several names before one colon."""
    parts = re.split(r"^([*\w][*\w, ]*?) ?(?::|$)", section, flags=re.MULTILINE)
    pairs = zip(parts[1::2], parts[2::2], strict=True)
    return {name.strip("* "): text for names, text in pairs for name in names.split(",")}


def says_shape(text: str) -> bool:
    """True if a text gives the shape of an array."""
    return re.search(r"shapes? \(|any shape|(same|the) shape of ``|a shape that", text.lower()) is not None


def without_shape(names: list[str], texts: dict[str, str]) -> list[str]:
    """Arrays that are not described, or without their shape."""
    return [name for name in names if not says_shape(texts.get(name, ""))]


def own_nodes(function: Function) -> Iterator[ast.AST]:
    """Nodes of a function without those of the functions inside it."""
    waiting: list[ast.AST] = list(function.body)
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, Function | ast.Lambda):
            waiting += ast.iter_child_nodes(node)


def missing_in_function(function: Function, attributes: dict[str, str]) -> list[str]:
    """Parts that the docstring of a function lacks."""
    arguments = function.args
    every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs, arguments.vararg, arguments.kwarg]
    arrays = [one.arg for one in every if one and mentions(one.annotation, ARRAYS)]
    array_returned = mentions(function.returns, ARRAYS)
    is_property = any("property" in ast.unparse(one) for one in function.decorator_list)
    if not (arrays or array_returned) or (is_property and not without_shape([function.name], attributes)):
        return []
    found = sections(function)
    missing = [] if re.match(r".+(\n\n|$)", ast.get_docstring(function) or "") else ["a summary of one line"]
    missing += [f"Parameters: {name}" for name in without_shape(arrays, described(found.get("Parameters", "")))]
    returned = found.get("Returns", found.get("Yields", ""))
    returns_something = ast.unparse(function.returns or ast.Constant(None)) != "None"
    if (returns_something and not returned) or (array_returned and not says_shape(returned)):
        missing.append("Returns")
    if "Raises" not in found and any(isinstance(node, ast.Raise) and node.exc for node in own_nodes(function)):
        missing.append("Raises")
    return missing


def missing_in(node: ast.Module | ast.ClassDef, attributes: dict[str, str]) -> Iterator[tuple[int, str]]:
    """Line and missing part of each public function, method and field below a node."""
    for one in node.body:
        name = getattr(one, "name", "_")
        if isinstance(one, ast.ClassDef) and not name.startswith("_"):
            yield from missing_in(one, described(sections(one).get("Attributes", "")))
        elif isinstance(one, Function) and not name.startswith("_"):
            yield from ((one.lineno, f"{name}: {missing}") for missing in missing_in_function(one, attributes))
        elif isinstance(node, ast.ClassDef) and isinstance(one, ast.AnnAssign) and mentions(one.annotation, ARRAYS):
            field = ast.unparse(one.target)
            if not field.startswith("_") and without_shape([field], attributes):
                yield one.lineno, f"{node.name}: Attributes: {field}"


def test_aliases_of_array_types_are_found() -> None:
    assert {"Samples", "ComplexSamples", "FloatArray", "Floats"} <= ARRAYS


def test_functions_of_arrays_describe_them() -> None:
    wrong = [
        f"{path.relative_to(ROOT.parent)}:{line}: {missing}"
        for path, tree in TREES.items()
        for line, missing in missing_in(tree, {})
    ]
    assert wrong == [], "\n".join(wrong)


def test_no_docstring_says_return_whether() -> None:
    wrong = [
        f"{path.relative_to(ROOT.parent)}:{getattr(node, 'lineno', 1)}: expected: Return True when"
        for path, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, Documented)
        and re.search(r"\breturns?\s+whether\b", ast.get_docstring(node) or "", flags=re.IGNORECASE)
    ]
    assert wrong == [], "\n".join(wrong)


def test_no_docstring_begins_with_a_question() -> None:
    wrong = [
        f"{path.relative_to(ROOT.parent)}:{getattr(node, 'lineno', 1)}: {words[0]}"
        for path, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, Documented)
        and (words := re.findall(r"\w+", ast.get_docstring(node) or ""))
        and words[0] in FIRST_WORDS
    ]
    assert wrong == [], "\n".join(wrong)


SOURCE = '''
def good(x: Samples) -> float:
    """Return the sum.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Values.

    Returns
    -------
    float
        Sum.
    """

def no_shape(x: Samples) -> None:
    """Take it.

    Parameters
    ----------
    x : ndarray
        Values; the shape of things is not given.
    """

def bare(x: Samples) -> Samples: ...
'''


def test_a_gap_is_found() -> None:
    gaps = [missing for _, missing in missing_in(ast.parse(SOURCE), {})]
    assert gaps == ["no_shape: Parameters: x", "bare: a summary of one line", "bare: Parameters: x", "bare: Returns"]
