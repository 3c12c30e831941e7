"""Rehearse: simulated valves of known condition through the sequence, over the cores. Nothing is switched or stored."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchrig.application.events import Listener, RehearsalBegan, RehearsalProgress, WorkersLost, nobody_listens
from benchrig.application.paths import model_folders
from benchrig.bench.bench import never
from benchrig.bench.constants import Kind
from benchrig.bench.file import load_bench_file
from benchrig.bench.opening import open_registered
from benchrig.catalogue import Catalogue, ValveModel
from benchrig.clock import RealClock
from benchrig.errors import BenchError, ConfigError
from benchrig.rehearsal.one_valve import BENCH, RehearsalSettings, Result, lost_valve, options, rehearse_one
from benchrig.rehearsal.plan import Entry, draw_entry, draw_near_limit, draw_over_limits
from benchrig.rehearsal.tally import Tally
from benchrig.rehearsal.valve_mix import SOUND, ValveMix, default_mix, load_mix
from benchrig.workers.choice import chosen_workers
from benchrig.workers.work import Work

__all__ = ["Rehearsal", "RehearsalRequest", "rehearse_valves"]


@dataclass(frozen=True)
class RehearsalRequest:
    """How many valves, and out of which population.

    Attributes
    ----------
    bench_file : Path or None
        Take sequence and uncertainties from it; None: the simulated bench's own.
    models_folder : Path or None
        Model files that go before those of the same name elsewhere.
    mix_file : Path or None
        How often each model and condition comes in; None: half of them good.
    near_limit : bool
        Valves near their limit in place of the mix's conditions.
    within : bool
        Draw the bench's constants only within what its file states, not from the stated distributions.
    workers : int or None
        Processes on this computer; None: one for each core.
    scheduler : str or None
        Address of a Dask scheduler whose workers do it; None: this computer.
    full : bool
        Measure everything to the end, as for a return.
    calibrated : tuple of str
        Constants that each simulated bench has calibrated before.
    over_limits : bool
        Valves of which leak, flow, coil and pull-in in turn lie near their limit, for an operating characteristic.
    tank : bool
        Each simulated bench has a vacuum tank, also where `bench_file` has none.
    """

    valves: int
    seed: int
    bench_file: Path | None = None
    models_folder: Path | None = None
    mix_file: Path | None = None
    near_limit: bool = False
    within: bool = False
    workers: int | None = None
    scheduler: str | None = None
    full: bool = False
    calibrated: tuple[Kind, ...] = ()
    over_limits: bool = False
    tank: bool = False


@dataclass(frozen=True)
class Rehearsal:
    """What came of it; when it was `stopped`, of the valves that were through by then."""

    tally: Tally
    setting: RehearsalSettings
    workers: int
    wall_s: float
    stopped: bool


def rehearse_valves(
    request: RehearsalRequest, *, tell: Listener = nobody_listens, stop_wanted: Callable[[], bool] = never
) -> Rehearsal:
    """Take the valves through the sequence; a stop, by Ctrl-C too, ends it with the results that there are.

    Raises
    ------
    ConfigError
        Mix, models or bench file are wrong, or the simulated bench does not know what they name; no such cluster.
    BenchError
        The worker processes cannot be started.
    """
    mix = default_mix() if request.mix_file is None else load_mix(request.mix_file)
    bench = None if request.bench_file is None else load_bench_file(request.bench_file).file
    models = {name: _model(name, request.models_folder) for name in mix.models}
    setting = RehearsalSettings(
        request.seed,
        models,
        bench,
        as_stated=not request.within,
        full=request.full,
        calibrated=request.calibrated,
        tank=request.tank or (bench is not None and bench.tank is not None),
    )
    _check_mix(mix, tank=setting.tank)
    limits = {name: model.limits for name, model in models.items()}
    if request.over_limits:
        entries = [draw_over_limits(mix, limits, request.seed, index) for index in range(request.valves)]
    elif request.near_limit:
        entries = [draw_near_limit(mix, limits, request.seed, index) for index in range(request.valves)]
    else:
        entries = [draw_entry(mix, request.seed, index) for index in range(request.valves)]
    work = Work(setting, entries, rehearse_one, lost_valve)
    clock = RealClock()
    began_s = clock.now()
    results: list[Result] = []
    without_verdict = count = 0
    stopped = False
    try:
        with chosen_workers(request.workers, request.scheduler, clock) as workers:
            count = min(workers.at_once, request.valves)
            tell(RehearsalBegan(request.valves, request.seed, count, request.mix_file, request.bench_file))
            coming = workers.work_through(work, cluster_lost=lambda lost: tell(WorkersLost.of(lost)))
            with closing(coming):
                for result in coming:
                    if result is not None:
                        results.append(result)
                        without_verdict += result.judgement is None
                    tell(RehearsalProgress(len(results), request.valves, without_verdict, clock.now() - began_s))
                    if stop_wanted() and len(results) < request.valves:
                        stopped = True
                        break
    except KeyboardInterrupt:
        stopped = True
    except RuntimeError as error:
        raise BenchError(f"The rehearsal cannot run: {error}.", hint="Try --workers 1; is memory short?") from error
    return Rehearsal(Tally.of(results, request.valves), setting, count, clock.now() - began_s, stopped)


def _model(name: str, folder: Path | None) -> ValveModel:
    if folder is not None and not folder.is_dir():
        raise ConfigError(f"Model folder {folder}: there is no such folder.", hint="Check the path after --models.")
    own = None if folder is None else Catalogue((folder,))
    if own is not None and name in {each.model for each in own.all()}:
        return own.get(name)
    return Catalogue(model_folders()).get(name)


def _check_mix(mix: ValveMix, *, tank: bool) -> None:
    """Whether the simulated bench knows all that is in the mix; everything it does not is told at once."""
    first_model, first_condition = next(iter(mix.models)), "good"
    asked = [Entry(0, name, first_condition, None, 1) for name in mix.models]
    for name, share in mix.conditions.items():
        asked.append(Entry(0, first_model, name, None if share.severity is None else share.severity[0], 1))
    for name in mix.circumstances:
        if name != SOUND:
            asked.append(Entry(0, first_model, first_condition, None, 1, faults=(f"{name}@0",)))
    wrong: dict[str, None] = {}
    for entry in asked:
        try:
            with open_registered(BENCH, {**options(entry), "tank": tank}):
                pass
        except ConfigError as error:
            wrong[str(error)] = None
    if wrong:
        raise ConfigError("\n".join(wrong), hint="Correct [models], [conditions] and [circumstances] of the mix file.")
