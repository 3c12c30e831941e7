"""Which valve the simulated bench takes for a model."""

from __future__ import annotations

from benchrig.application.paths import demo_folder
from benchrig.catalogue import Catalogue
from benchrig.verdict.judgement import MODELS_UNKNOWN

__all__ = ["simulated_as"]


def simulated_as(model: str) -> str:
    """The model itself, or the demonstration's first one of that sort where the model is not known."""
    normally = MODELS_UNKNOWN.get(model)
    if normally is None:
        return model
    return next(one.model for one in Catalogue((demo_folder() / "models",)).all() if one.normally == normally)
