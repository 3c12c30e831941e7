"""All valve models in some folders."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

from benchrig import tomlfile
from benchrig.catalogue.general_practice import by_general_practice
from benchrig.catalogue.valve_model import KIND, ValveModel, read_model
from benchrig.errors import ConfigError
from benchrig.verdict.judgement import MODELS_UNKNOWN

__all__ = ["Catalogue"]


class Catalogue:
    """The valve models of some folders: one ``.toml`` file each, read when asked for.

    Parameters
    ----------
    folders : sequence of Path
        Folders to look in, first things first; one that does not exist holds no models.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self._folders = tuple(folders)

    def get(self, name: str) -> ValveModel:
        """The model of this name; by "unknown" and "unknown-open" general practice stands in for one.

        A mistake in another model's file does not stand in the way.

        Raises
        ------
        ConfigError
            There is no such model, its file holds mistakes, or two files claim the name.
        """
        if name in MODELS_UNKNOWN:
            return by_general_practice(name)
        claimed = {path: _claimed(path) for path in self._paths()}
        _check_claimed_once(name, [path for path, claims in claimed.items() if claims == name])
        for path in [path for path, claims in claimed.items() if name in (path.stem, claims)]:
            model = read_model(path)
            if model.model == name:
                return model
        models, wrong = self.readable()
        names = [model.model for model in models]
        near = difflib.get_close_matches(name, names, n=3, cutoff=0.5)
        meant = f"Did you mean {' or '.join(near)}?" if near else f"There are: {', '.join(names) or 'none at all'}."
        unread = f"\nMistakes in {len(wrong)} of the model files there." if wrong else ""
        where = " and ".join(str(folder) for folder in self._folders) or "no folder at all"
        raise ConfigError(
            f"Valve model {name!r}: not in the catalogue. Looked in {where}.{unread}",
            hint=f"{meant} 'benchrig models list' names them all. Without any limits of its own: --model unknown.",
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
        models: dict[str, list[tuple[Path, ValveModel]]] = {}
        wrong: list[ConfigError] = []
        for path in self._paths():
            try:
                model = read_model(path)
            except ConfigError as error:
                wrong.append(error)
            else:
                models.setdefault(model.model, []).append((path, model))
        for name in sorted(models):
            try:
                _check_claimed_once(name, [path for path, _ in models[name]])
            except ConfigError as error:
                wrong.append(error)
        return tuple(models[name][0][1] for name in sorted(models) if len(models[name]) == 1), tuple(wrong)

    def _paths(self) -> list[Path]:
        """The files, those of the first folder first."""
        paths: list[Path] = []
        for folder in self._folders:
            try:
                if folder.exists():
                    paths += sorted(path for path in folder.iterdir() if path.suffix == ".toml")
            except OSError as error:
                raise ConfigError(
                    f"Model folder {folder}: cannot be read ({error.strerror or error}).",
                    hint="Is it a folder, and may you read it?",
                ) from error
        return paths


def _check_claimed_once(name: str, claiming: Sequence[Path]) -> None:
    if len(claiming) > 1:
        raise ConfigError(
            f"Valve model {name!r}: claimed by {' and '.join(str(path) for path in claiming)}.",
            hint="Rename the model in one of the files, or remove that file.",
        )


def _claimed(path: Path) -> str | None:
    """The name that a file claims, mistakes in it or not, as far as it can be read."""
    try:
        claimed = tomlfile.table(path, kind=KIND, where="", hint="").get("model")
    except ConfigError:
        return None
    return claimed if isinstance(claimed, str) else None


def _together(errors: Sequence[ConfigError]) -> ConfigError:
    if len(errors) == 1:
        return errors[0]
    hints = dict.fromkeys(error.hint for error in errors)
    return ConfigError("\n".join(str(error) for error in errors), hint=" ".join(hints))
