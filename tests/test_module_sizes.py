"""No module grows without end: past 400 lines of code there is a second noun in it to be split off."""

from __future__ import annotations

import ast
import io
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MOST_LINES = 400
NO_CODE = {
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENCODING,
    tokenize.ENDMARKER,
}


def code_lines(text: str) -> int:
    """Lines with code on them; comments, blank lines, docstrings and other bare texts are left out."""
    said: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            said.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    coded: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in NO_CODE:
            coded.update(range(token.start[0], token.end[0] + 1))
    return len(coded - said)


def test_only_lines_of_code_are_counted() -> None:
    text = (
        '"""Two\nlines."""\n\n# a comment\nx = (\n    1,\n)\n"""About x."""\n\ndef f():\n    """Say."""\n    return x\n'
    )
    assert code_lines(text) == 5


@pytest.mark.parametrize("package", ["benchrig", "simulators", "firmware_protocol"])
def test_no_module_has_more_lines_of_code_than_a_reader_can_take_in(package: str) -> None:
    texts = {path: path.read_text(encoding="utf-8") for path in sorted((ROOT / package).rglob("*.py"))}
    assert len(texts) > 5
    long = {str(path.relative_to(ROOT)): text for path, text in texts.items() if text.count("\n") > MOST_LINES}
    assert {name: code_lines(text) for name, text in long.items() if code_lines(text) > MOST_LINES} == {}
