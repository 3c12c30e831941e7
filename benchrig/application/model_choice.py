"""Which valve the simulated bench takes for a model."""

from __future__ import annotations

from benchrig.application.paths import demo_folder
from benchrig.catalogue import Catalogue, ValveModel

__all__ = ["simulated_as"]


def simulated_as(model: ValveModel) -> str:
    """The model itself where it is one of the demonstration's; otherwise the demonstration's first one of that sort."""
    known = Catalogue((demo_folder() / "models",)).all()
    if any(one.model == model.model for one in known):
        return model.model
    return next(one.model for one in known if one.normally == model.normally)
