"""A public function of three or more arguments says in its docstring, under Parameters, what each is."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

from tests.house.source_files import modules, tree_of

_SECTION = re.compile(r"^Parameters\n-+\n(.*?)(?=\n\n\w[\w ]*\n-{3}|\Z)", re.DOTALL | re.MULTILINE)


def public_functions(node: ast.Module | ast.ClassDef) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Functions and methods whose names, and whose classes' names, have no leading underscore."""
    for inner in node.body:
        if isinstance(inner, ast.ClassDef) and not inner.name.startswith("_"):
            yield from public_functions(inner)
        elif isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef) and not inner.name.startswith("_"):
            yield inner


def arguments(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    """Names of the arguments that a caller gives; any number of them are one, with its stars."""
    given = function.args
    names = [a.arg for a in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
    names += [f"*{given.vararg.arg}"] if given.vararg else []
    names += [f"**{given.kwarg.arg}"] if given.kwarg else []
    return names[1:] if names[:1] in (["self"], ["cls"]) else names


def described(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    """Names in the section of its docstring; a line of names is not indented and may go on with a type."""
    section = _SECTION.search(ast.get_docstring(function) or "")
    lines = [] if section is None else section[1].split("\n")
    return [n for line in lines if line[:1].strip() for n in line.split(" : ")[0].split(", ")]


def test_functions_of_three_or_more_arguments_say_what_each_is() -> None:
    wrong = [
        f"{path}:{function.lineno} {function.name}"
        for path in modules()
        for function in public_functions(tree_of(path))
        if len(arguments(function)) >= 3 and set(described(function)) != set(arguments(function))
    ]
    assert wrong == []
