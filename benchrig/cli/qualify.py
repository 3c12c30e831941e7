"""`benchrig qualify`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from benchrig.cli.bench_options import instead_of_hardware, who
from benchrig.cli.output import as_json_option, speaks
from benchrig.cli.shared_store import deliver_after
from benchrig.verdict.judgement import Reason
from benchrig.verdict.warm import USUAL_C

if TYPE_CHECKING:
    from benchrig.application.batch_parts import BatchPart
    from benchrig.application.bench_choice import BenchChoice
    from benchrig.application.qualification import QualificationRequest
    from benchrig.catalogue import ValveModel

__all__ = ["qualify"]


@click.command(
    epilog="Example:  benchrig qualify --model alder-24 --tag 'C-1042' --simulated seat-leak\n\n"
    "Example:  benchrig qualify --model MODEL --tag C-1042 --bench bench.toml --reason return --complaint 'idles rough'"
    "\n\nExample:  benchrig qualify --batch --model MODEL --bench bench.toml"
)
@click.option(
    "--model",
    envvar="BENCHRIG_MODEL",
    show_envvar=True,
    help="The valve model; 'benchrig models list' names them. 'unknown' (or 'unknown-open') where nobody has its "
    "limits: judged by general practice, and never accepted.",
)
@click.option("--tag", help="The shop's own number on the part; or scan its label.")
@click.option(
    "--batch",
    is_flag=True,
    help="Many parts: scan a tag, fit the part, Enter. '-' undoes a wrong scan, 'q' ends the batch.",
)
@click.option(
    "--parts",
    "parts_file",
    type=click.Path(path_type=Path),
    help="The batch's parts, a CSV file with the columns tag, model, reason, complaint; what is empty is as the "
    "options say. Those with a finished run since --since are left out.",
)
@click.option("--since", help="When the batch began: a date, or with a time of day. Default: today, 00:00.")
@click.option(
    "--batch-name", help="What the records call the batch. Default: its day, and the model or the list's file name."
)
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Bench file. Default: bench.toml in the workshop's folder.",
)
@instead_of_hardware("The simulated bench with a valve in this condition; good when none is named.")
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=1,
    show_default=True,
    help="Seed of the simulated valve and its noise.",
)
@click.option(
    "--severity",
    type=click.FloatRange(0, 1),
    default=None,
    help="How bad the simulated valve's condition is: 0 barely outside the limits, 1 grossly. Default: clearly.",
)
@click.option(
    "--value",
    type=click.FloatRange(0, min_open=True),
    default=None,
    help="In place of --severity, the true leak (sccm), flow (L/min ANR) or coil resistance (ohm) of the condition.",
)
@click.option(
    "--as-stated",
    is_flag=True,
    help="Draw the simulated bench's constants from the distributions that its file states, as 'rehearse' does.",
)
@click.option(
    "--same-part",
    type=click.IntRange(0, 2**32 - 1),
    help="Simulated part and bench by this seed, only the noise by --seed: one part measured again.",
)
@click.option(
    "--fault", "faults", multiple=True, metavar="KIND@SECONDS", help="A fault of the simulated bench, for practice."
)
@click.option("--tank", is_flag=True, help="The simulated bench has a vacuum tank.")
@click.option(
    "--reason",
    type=click.Choice(["core", "return", "new-stock", "check-valve"]),
    default="core",
    show_default=True,
    help="Why the part is here; check-valve: the known-good part that is measured daily (benchrig bench chart).",
)
@click.option("--complaint", default="", help="What the customer says.")
@click.option("--findings", default="", help="What you see on the part: cracks, corrosion, charcoal dust.")
@click.option("--operator", default=None, help="Who stands at the bench. Default: the computer's user.")
@click.option(
    "--wire-log", type=click.Path(path_type=Path), help="Write every frame to and from the board into this file."
)
@click.option("--overwrite", is_flag=True, help="The wire log may replace an earlier wire log (nothing else).")
@click.option(
    "--allow-uncalibrated",
    is_flag=True,
    help="Run although check or calibrations are missing or expired. Every result and the page are marked.",
)
@click.option(
    "--barometer-kpa",
    type=click.FloatRange(50, 110),
    help="Station pressure now, not reduced to sea level, in place of the bench file's.",
)
@click.option(
    "--no-control",
    is_flag=True,
    help="Let a leak, a blocked flow or a dead short reject a valve without a look at the bench alone.",
)
@click.option(
    "--warm",
    "warm_c",
    type=click.FloatRange(30, 120),
    metavar="[CELSIUS]",
    is_flag=False,
    flag_value=USUAL_C,
    help="Afterwards let the coil heat itself to this temperature (60 if none is given) and measure coil, clicks and "
    "flow again. Takes minutes; offered unasked when the complaint of a return speaks of heat.",
)
@click.option(
    "--full/--no-full",
    default=None,
    help="Measure everything to the end, for the record; or end each measurement as soon as it has told enough. "
    "Default: to the end for returns and the check valve.",
)
@click.option("--until-certain", is_flag=True, help="Skip what remains once something certainly fails its limit.")
@click.option("--yes", is_flag=True, help="Do not ask whether the part is aired out and connected.")
@as_json_option
@speaks
def qualify(
    model: str | None,
    tag: str | None,
    batch: bool,
    parts_file: Path | None,
    since: str | None,
    batch_name: str | None,
    bench_file: Path | None,
    simulated: str | None,
    seed: int,
    severity: float | None,
    value: float | None,
    as_stated: bool,
    same_part: int | None,
    faults: tuple[str, ...],
    tank: bool,
    reason: str,
    complaint: str,
    findings: str,
    operator: str | None,
    wire_log: Path | None,
    overwrite: bool,
    allow_uncalibrated: bool,
    barometer_kpa: float | None,
    no_control: bool,
    warm_c: float | None,
    full: bool | None,
    until_certain: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Measure and judge one removed valve, write the record, make page and label."""
    from contextlib import ExitStack

    from benchrig.application.bench_choice import BenchChoice, open_bench
    from benchrig.application.model_choice import simulated_as
    from benchrig.application.paths import model_folders, store_path
    from benchrig.application.qualification import QualificationRequest, check_tag, qualify_valve
    from benchrig.application.wire_log_file import open_wire_log
    from benchrig.catalogue import Catalogue
    from benchrig.cli.one_run import shown_run, tell_outcome
    from benchrig.records import Store
    from benchrig.sequencer.events import Intake

    if bench_file is not None and simulated is not None:
        raise click.UsageError("--bench and --simulated exclude each other: one bench at a time.")
    if faults and simulated is None:
        raise click.UsageError("--fault is for the simulated bench: give --simulated CONDITION too.")
    if tank and simulated is None:
        raise click.UsageError("--tank is for the simulated bench; of a real one its bench file has a table [tank].")
    if severity is not None and simulated is None:
        raise click.UsageError("--severity is for the simulated bench: give --simulated CONDITION too.")
    if (value is not None or as_stated) and simulated is None:
        raise click.UsageError("--value and --as-stated are for the simulated bench: give --simulated CONDITION too.")

    def choice_for(valve: ValveModel, part_seed: int | None) -> BenchChoice:
        if simulated is None:
            return BenchChoice(bench_file)
        options: dict[str, object] = {"model": simulated_as(valve), "condition": simulated, "seed": seed}
        options["faults"] = list(faults)
        if tank:
            options["tank"] = True
        if severity is not None:
            options["severity"] = severity
        if value is not None:
            options["value"] = value
        if as_stated:
            options["as_stated"] = True
        if same_part is not None:
            options |= {"valve_seed": same_part, "bench_seed": same_part}
        if part_seed is not None:
            options["valve_seed"] = part_seed
        return BenchChoice(simulated=options)

    def request_for(valve: ValveModel, intake: Intake, *, known_ready: bool) -> QualificationRequest:
        return QualificationRequest(
            valve,
            intake,
            seed=None if simulated is None else seed,
            allow_uncalibrated=allow_uncalibrated,
            no_control=no_control,
            barometer_kpa=barometer_kpa,
            known_ready=known_ready,
            warm_c=warm_c,
            full=full,
            until_certain=until_certain,
        )

    if batch:
        for given, name in (
            (tag, "--tag"),
            (findings, "--findings"),
            (wire_log, "--wire-log"),
            (same_part, "--same-part"),
        ):
            if given not in (None, ""):
                raise click.UsageError(f"{name} is for one part: not with --batch.")
        from benchrig.application.batch import seed_of_tag
        from benchrig.cli.qualify_batch import qualify_batch

        def batch_request(part: BatchPart) -> QualificationRequest:
            intake = Intake(part.tag, part.model.model, part.reason, who(operator), part.complaint)
            return request_for(part.model, intake, known_ready=True)  # asked when the part was fitted

        status = qualify_batch(
            batch_request,
            lambda part: choice_for(part.model, seed_of_tag(part.tag, seed)),
            bench_file=bench_file,
            simulated=simulated is not None,
            model=model,
            reason=reason,
            complaint=complaint,
            parts_file=parts_file,
            since=since,
            named=batch_name,
            as_json=as_json,
        )
        sys.exit(status)
    if (parts_file, since, batch_name) != (None, None, None):
        raise click.UsageError("--parts, --since and --batch-name are for a batch: give --batch too.")
    if model is None or tag is None:
        raise click.UsageError(f"Missing option '{'--model' if model is None else '--tag'}'.")
    store = Store(store_path())
    part = check_tag(store.tag_of(tag))
    intake = Intake(part, model, cast("Reason", reason), who(operator), complaint, findings)
    valve = Catalogue(model_folders()).get(model)
    choice = choice_for(valve, None)
    request = request_for(valve, intake, known_ready=yes)
    with ExitStack() as stack:
        log = None if wire_log is None else stack.enter_context(open_wire_log(wire_log, overwrite=overwrite))
        opened = open_bench(choice, wire_log=log)
        with shown_run() as (questions, tell):
            done = qualify_valve(store, opened, request, questions=questions, tell=tell)
    status = tell_outcome(done, as_json=as_json)
    deliver_after(store)
    if reason == "check-valve" and not as_json:
        from benchrig.cli.bench_chart import tell_after_run

        tell_after_run(intake.tag)
    sys.exit(status)
