"""Where things are kept: the store, pages, the workshop's own models and bench file, the demonstration's files."""

from __future__ import annotations

import os
from pathlib import Path

import benchrig

__all__ = ["demo_folder", "home", "model_folders", "pages_folder", "shared_store_named", "store_path"]


def home() -> Path:
    """The workshop's folder: ``BENCHRIG_HOME``, or the usual place for a program's data on this computer."""
    named = os.environ.get("BENCHRIG_HOME")
    if named:
        return Path(named).expanduser().absolute()
    from platformdirs import user_data_path

    return user_data_path("benchrig", appauthor=False)


def store_path() -> Path:
    """The database of records of this bench: a file that ``BENCHRIG_STORE`` names, or the one in the workshop's folder.

    Where a server is named instead, this is still where the bench records (`application.shared_store`).
    """
    named = os.environ.get("BENCHRIG_STORE", "")
    if named and not _is_on_server(named):
        from benchrig.records.database.place import place_named

        return place_named(named, home()).beside
    return home() / "records.sqlite"


def shared_store_named() -> bool:
    """Whether a store on a server is named; `application.shared_store` says which. Costs nothing to ask."""
    named = os.environ.get("BENCHRIG_STORE", "")
    return _is_on_server(named) if named else (home() / "store.toml").exists()


def _is_on_server(named: str) -> bool:
    """As `benchrig.records.database.place.place_named` has it, whose import every command would pay for."""
    text = named.strip()
    return "://" in text and not text.startswith("sqlite://")


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
