"""A new valve model put into the workshop's folder, and all model files looked through."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchrig.application.paths import model_folders
from benchrig.catalogue import Catalogue, ValveModel, read_model
from benchrig.catalogue.doubts import doubts_about, names_alike
from benchrig.errors import ConfigError

__all__ = ["ModelsChecked", "check_models", "write_new_model"]


@dataclass(frozen=True)
class ModelsChecked:
    """All model files. `wrong`: what stops a file from being used; `doubts`: what may be meant otherwise, by model."""

    models: tuple[ValveModel, ...]
    wrong: tuple[ConfigError, ...]
    doubts: tuple[tuple[str, str], ...]


def check_models(folders: tuple[Path, ...] | None = None) -> ModelsChecked:
    """Look through the workshop's models and the demonstration's, or through the folders that are named."""
    models, wrong = Catalogue(model_folders() if folders is None else folders).readable()
    doubts = [(model.model, doubt) for model in models for doubt in doubts_about(model)]
    doubts += [
        (one, f"easily taken for {other}. Rename one of them.")
        for one, other in names_alike([model.model for model in models])
    ]
    return ModelsChecked(models, wrong, tuple(doubts))


def write_new_model(text: str) -> tuple[Path, tuple[str, ...]]:
    """Put a model file into the workshop's folder; return where it is, and what in it may be meant otherwise.

    Raises
    ------
    ConfigError
        The text holds mistakes, the name is taken already, or the file cannot be written. Nothing was written then.
    """
    model = read_model(text, where="as given")
    folder = model_folders()[0]
    known = [each.model for each in Catalogue(model_folders()).readable()[0]]
    if model.model in known:
        raise ConfigError(
            f"Valve model {model.model}: there is one of this name.",
            hint="'benchrig models show' shows it. Choose another name.",
        )
    path = folder / f"{model.model}.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise ConfigError(
            f"{path}: there is such a file already.",
            hint="Look at it, rename it, or choose another name for the model.",
        ) from error
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be written ({error.strerror or error}).", hint="May you write to that folder?"
        ) from error
    doubts = [*doubts_about(model)]
    doubts += [
        f"easily taken for {set(pair).difference({model.model}).pop()}"
        for pair in names_alike([*known, model.model])
        if model.model in pair
    ]
    return path, tuple(doubts)
