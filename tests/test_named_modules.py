"""What the pages for contributors and the docstrings name is there: modules, folders, and the rows of the map."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
PACKAGES = ("benchrig", "simulators", "firmware_protocol")
PAGES = ("README.md", "DEVELOPERS.md", "simulators/README.md", "firmware_protocol/BOARD.md")
SOURCES = sorted(path for package in (*PACKAGES, "tests") for path in (TOP / package).rglob("*.py"))
PLACES = [f"/{path.relative_to(TOP).as_posix()}" for path in SOURCES]
NOT_MODULES = {"benchrig.benches", "benchrig.schema", "benchrig.spelled"}
"""The group of entry points, a key in exported Parquet files, the name of a codec's error handler."""


def named_files(text: str) -> set[str]:
    """Names of Python files in a page, but for those that stand for any (``cli/NAME.py``, ``$f.py``)."""
    return {name for name in re.findall(r"[A-Za-z0-9_/]+\.py\b", text) if "NAME" not in name and name != "f.py"}


def dotted_names(text: str) -> set[str]:
    """Dotted names below our packages, without what follows a call or an index."""
    return set(re.findall(rf"(?<![\w./-])(?:{'|'.join(PACKAGES)})(?:\.[A-Za-z]\w*)+", text)) - NOT_MODULES


@cache
def is_there(dotted: str) -> bool:
    """Whether a dotted name is a module or a folder of ours, or is defined in one."""
    *_, last = parts = dotted.split(".")
    for count in range(len(parts), 0, -1):
        place = TOP.joinpath(*parts[:count])
        source = place.with_suffix(".py") if place.with_suffix(".py").is_file() else place / "__init__.py"
        if source.is_file():
            rest = parts[count:]
            return all(re.search(rf"\b{each}\b", source.read_text(encoding="utf-8")) for each in rest)
    return (TOP.joinpath(*parts[:-1]) / last).exists()


@pytest.mark.parametrize("page", PAGES)
def test_every_python_file_that_a_page_names_exists(page):
    named = named_files((TOP / page).read_text(encoding="utf-8"))
    missing = {name for name in named if not any(place.endswith(f"/{name}") for place in PLACES)}
    assert not missing


def test_every_dotted_name_in_pages_and_sources_exists():
    missing = {
        (path.relative_to(TOP).as_posix(), name)
        for path in [*(TOP / page for page in PAGES), *SOURCES]
        if path != Path(__file__).resolve()
        for name in dotted_names(path.read_text(encoding="utf-8"))
        if not is_there(name)
    }
    assert not missing


@pytest.mark.parametrize("dotted", ["benchrig.no_such_folder", "benchrig.clock.no_such_name", "simulators.gone.Name"])
def test_a_name_that_is_not_there_is_seen(dotted):
    assert dotted_names(f"see `{dotted}`.") == {dotted}
    assert not is_there(dotted)


def test_the_map_names_every_folder_of_the_program_and_no_other():
    blocks = re.findall(r"^```\n(.*?)^```$", (TOP / "DEVELOPERS.md").read_text(encoding="utf-8"), re.S | re.M)
    tops, rows, looked = blocks[:3]
    assert {name.rstrip("/") for name in re.findall(r"^(\w+)/", tops, re.M)} >= {*PACKAGES, "fixtures", "tests"}

    named = set(re.findall(r"(?:^|  )(\w+)/(?= )", rows, re.M))
    inner = {path.parent.name for path in (TOP / "benchrig" / "analysis").glob("*/__init__.py")}
    outer = {path.parent.name for path in (TOP / "benchrig").glob("*/__init__.py")}
    assert named == inner | outer

    for line in looked.splitlines():
        places = re.split(r"\s{2,}", line.strip())[-1]
        folder = ""
        for name in re.findall(r"(?:[a-z_]+/)*[A-Za-z_]+\.py", places):
            folder = name.rpartition("/")[0] or folder
            if "NAME" not in name:
                full = name if "/" in name else f"{folder}/{name}"
                assert any(place.endswith(f"/{full}") for place in PLACES), (line, full)
