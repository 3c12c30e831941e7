"""Whether a valve model can be tested on a bench at all: asked by runs and by studies before anything is switched."""

from __future__ import annotations

from benchrig.bench.bench import Bench
from benchrig.catalogue import ValveModel
from benchrig.errors import ConfigError

__all__ = ["check_model_on_bench"]


def check_model_on_bench(model: ValveModel, bench: Bench) -> None:
    """Hold a model against a bench.

    Raises
    ------
    ConfigError
        The model's limits wait to be approved, it is made up and the bench is real, or the bench draws less vacuum than
        the model is held at.
    """
    if model.approved_by is not None and not model.approved_by.strip():
        raise ConfigError(
            f"Model {model.model} was learned, and nobody has approved its limits.",
            hint="Look at them with 'benchrig models show'; then put your name into approved_by in its file.",
        )
    if model.fictional and not bench.file.bench.simulated:
        raise ConfigError(
            f"Model {model.model} is a fictional one for the demonstration; this bench is real.",
            hint="Put the valve's own limits into a model file in the folder that 'benchrig models list' names.",
        )
    reached_kpa = bench.file.reservoir.hold_vacuum_kpa
    if reached_kpa < model.hold_vacuum_kpa:
        raise ConfigError(
            f"Model {model.model} is held at {model.hold_vacuum_kpa:g} kPa of vacuum; this bench draws only "
            f"{reached_kpa:g} kPa.",
            hint="hold_vacuum_kpa in [reservoir] of the bench file, if the pump can do more.",
        )
