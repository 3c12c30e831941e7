"""Where things are kept: the store, pages, the workshop's own models and bench file, the demonstration's files."""

from __future__ import annotations

import os
from pathlib import Path

import benchrig

__all__ = ["demo_folder", "home", "model_folders", "pages_folder", "store_path"]


def home() -> Path:
    """The workshop's folder: ``BENCHRIG_HOME``, or the usual place for a program's data on this computer."""
    named = os.environ.get("BENCHRIG_HOME")
    if named:
        return Path(named).expanduser().absolute()
    from platformdirs import user_data_path

    return user_data_path("benchrig", appauthor=False)


def store_path() -> Path:
    """The database of records."""
    return home() / "records.sqlite"


def pages_folder() -> Path:
    """Where pages and labels are written."""
    return home() / "pages"


def demo_folder() -> Path:
    """The fictional workshop: beside the checkout, or inside the installed wheel."""
    root = Path(benchrig.__file__).absolute().parent.parent
    for candidate in (root / "fixtures" / "demo", root / "simulators" / "demo"):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"the demonstration's files are missing beside {root}: benchrig is not installed whole")


def model_folders() -> tuple[Path, ...]:
    """Folders of valve models, the workshop's own first."""
    return (home() / "models", demo_folder() / "models")
