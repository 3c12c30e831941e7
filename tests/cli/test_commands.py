"""The commands: every one that is written can be called, and says what it does."""

from __future__ import annotations

import re
from pathlib import Path

import click

import benchrig.cli

SOURCES = {path.stem: path.read_text(encoding="utf-8") for path in Path(benchrig.cli.__file__).parent.glob("*.py")}
WRITTEN = re.compile(r"^@click\.(?:command|group)\(.*?^def (\w+)\(", re.MULTILINE | re.DOTALL)
CALLED = re.compile(r'"benchrig\.cli\.(\w+:\w+)"')


def test_no_command_that_is_written_is_left_out_of_the_tables():
    written = {f"{module}:{name}" for module, text in SOURCES.items() for name in WRITTEN.findall(text)}
    called = {name for text in SOURCES.values() for name in CALLED.findall(text)}
    assert len(called) > 12
    assert written - {"__init__:cli"} == called


def test_every_command_has_a_line_in_help():
    group = benchrig.cli.cli
    shown = group.get_help(click.Context(group))
    for name in group.list_commands(click.Context(group)):
        assert re.search(rf"^  {name} +\w.*\.", shown, re.MULTILINE | re.DOTALL), name
