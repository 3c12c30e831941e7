"""All valve models in some folders."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

from benchrig import tomlfile
from benchrig.catalogue.valve_model import KIND, ValveModel, parse_model
from benchrig.errors import ConfigError

__all__ = ["Catalogue"]

HINT = "Check the path and who may read it; 'benchrig models list' names the folders."


class Catalogue:
    """The valve models of some folders: one ``.toml`` file each, read when first asked for.

    Parameters
    ----------
    folders : sequence of Path
        Folders to look in, first things first; one that does not exist holds no models.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self._folders = tuple(folders)
        self._read = False
        self._models: dict[str, list[tuple[Path, ValveModel]]] = {}
        self._broken: list[tuple[Path, ConfigError]] = []

    def get(self, name: str) -> ValveModel:
        """The model of this name. A mistake in another model's file does not stand in the way.

        Raises
        ------
        ConfigError
            There is no such model, its file holds mistakes, or two files claim the name.
        """
        self._look()
        found = self._models.get(name, [])
        if len(found) > 1:
            raise self._twice(name)
        broken = [error for path, error in self._broken if name in (path.stem, _claimed(path))]
        if broken:
            raise _together(broken)
        if found:
            return found[0][1]
        near = difflib.get_close_matches(name, self._models, n=3, cutoff=0.5)
        there = ", ".join(sorted(self._models)) or "none at all"
        meant = f"Did you mean {' or '.join(near)}?" if near else f"There are: {there}."
        unread = f"\nMistakes in {len(self._broken)} of the model files there." if self._broken else ""
        raise ConfigError(
            f"Valve model {name!r}: not in the catalogue. Looked in {self._where()}.{unread}",
            hint=f"{meant} 'benchrig models list' names them all.",
        )

    def all(self) -> tuple[ValveModel, ...]:
        """Every model, by name.

        Raises
        ------
        ConfigError
            Any file holds mistakes, or two files claim one name; all of it is told at once.
        """
        models, wrong = self.readable()
        if wrong:
            raise _together(wrong)
        return models

    def readable(self) -> tuple[tuple[ValveModel, ...], tuple[ConfigError, ...]]:
        """Every model that can be used, by name, and what is wrong with the other files."""
        self._look()
        claimed_twice = {name for name, found in self._models.items() if len(found) > 1}
        wrong = [error for _, error in self._broken] + [self._twice(name) for name in sorted(claimed_twice)]
        return tuple(self._models[name][0][1] for name in sorted(set(self._models) - claimed_twice)), tuple(wrong)

    def _look(self) -> None:
        if self._read:
            return
        models: dict[str, list[tuple[Path, ValveModel]]] = {}
        broken: list[tuple[Path, ConfigError]] = []
        for folder in self._folders:
            try:
                paths = sorted(path for path in folder.iterdir() if path.suffix == ".toml") if folder.exists() else []
            except OSError as error:
                raise ConfigError(
                    f"Model folder {folder}: cannot be read ({error.strerror or error}).",
                    hint="Is it a folder, and may you read it?",
                ) from error
            for path in paths:
                try:
                    text = tomlfile.read_text(path, kind=KIND, hint=HINT)
                    model = parse_model(text, where=str(path))
                except ConfigError as error:
                    broken.append((path, error))
                else:
                    models.setdefault(model.model, []).append((path, model))
        self._models, self._broken, self._read = models, broken, True

    def _twice(self, name: str) -> ConfigError:
        paths = " and ".join(str(path) for path, _ in self._models[name])
        return ConfigError(
            f"Valve model {name!r}: claimed by {paths}.",
            hint="Rename the model in one of the files, or remove that file.",
        )

    def _where(self) -> str:
        return " and ".join(str(folder) for folder in self._folders) or "no folder at all"


def _claimed(path: Path) -> str | None:
    """The name that a file with mistakes in it claims, as far as it can be read."""
    try:
        claimed = tomlfile.table(tomlfile.read_text(path, kind=KIND, hint=""), kind=KIND, where="", hint="").get(
            "model"
        )
    except ConfigError:
        return None
    return claimed if isinstance(claimed, str) else None


def _together(errors: Sequence[ConfigError]) -> ConfigError:
    if len(errors) == 1:
        return errors[0]
    hints = dict.fromkeys(error.hint for error in errors)
    return ConfigError("\n".join(str(error) for error in errors), hint=" ".join(hints))
