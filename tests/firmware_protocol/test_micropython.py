"""The board's files on MicroPython itself: all vectors, the dialogue, and what the board must not carry.

Needs node and the npm package ``@micropython/micropython-webassembly-pyscript@1.27.0``; its folder (or the folder that
``npm install --prefix`` was given) in BENCHRIG_MICROPYTHON.
"""

import ast
from pathlib import Path

import pytest

from tests.firmware_protocol.vectors import VECTORS
from tests.helpers import on_micropython

REPOSITORY = Path(__file__).parents[2]
CARRIED = ["__init__", "fields", "frame", "tuples", "messages", "knowledge", "repeats", "running_capture", "board"]
THERE = {"binascii", "struct", "collections", "firmware_protocol"}  # modules that the board has


@pytest.mark.slow
def test_the_vectors_hold_on_micropython():
    found = on_micropython(Path(__file__).with_name("run_on_micropython.mjs"))
    counts = {name: len(VECTORS[name]) for name in ("cobs", "frames", "streams", "bodies", "bad_bodies", "dialogue")}
    assert found == counts


def runtime(tree):
    """All nodes that are carried out on the board: the branches for a type checker left out."""
    todo = [tree]
    while todo:
        node = todo.pop()
        yield node
        for field, value in ast.iter_fields(node):
            if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING" and field == "body":
                continue
            todo += [child for child in (value if isinstance(value, list) else [value]) if isinstance(child, ast.AST)]


@pytest.mark.parametrize("name", CARRIED)
def test_the_board_imports_only_what_it_has(name):
    tree = ast.parse((REPOSITORY / "firmware_protocol" / f"{name}.py").read_text(encoding="utf-8"))
    wanted = set()
    for node in runtime(tree):
        if isinstance(node, ast.Import):
            wanted |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            wanted.add((node.module or "").split(".")[0])
            assert node.module != "firmware_protocol.typed"
    assert wanted <= THERE


@pytest.mark.parametrize("name", CARRIED)
def test_the_board_uses_nothing_that_micropython_lacks(name):
    tree = ast.parse((REPOSITORY / "firmware_protocol" / f"{name}.py").read_text(encoding="utf-8"))
    for node in runtime(tree):
        assert not isinstance(node, ast.Match)
        if isinstance(node, (ast.List, ast.Set, ast.Tuple)):
            assert not any(isinstance(item, ast.Starred) for item in node.elts), f"line {node.lineno}"
        if isinstance(node, ast.Call):
            assert getattr(node.func, "attr", "") not in {"Struct", "to_bytes", "crc_hqx"}, f"line {node.lineno}"
            assert not any(keyword.arg == "strict" for keyword in node.keywords), f"line {node.lineno}"
        if isinstance(node, ast.Delete):
            assert not any(isinstance(target, ast.Subscript) for target in node.targets), f"line {node.lineno}"


def test_every_file_of_the_package_is_either_carried_or_for_the_type_checker():
    names = {path.stem for path in (REPOSITORY / "firmware_protocol").glob("*.py")}
    assert names == {*CARRIED, "typed"}
