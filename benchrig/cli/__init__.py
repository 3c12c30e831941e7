"""The command line. Commands are loaded when they are called, so that ``--help`` answers in a blink."""

from __future__ import annotations

import gc
import os
import sys
import traceback

import click

from benchrig import __version__, stop_requests
from benchrig.cli.lazy_group import LazyGroup
from benchrig.cli.shared_store import name_store

__all__ = ["cli", "run"]

# name -> (where the command is, its line in --help)
_COMMANDS = {
    "demo": ("benchrig.cli.demo:demo", "One valve through the simulated bench; nothing to configure."),
    "console": ("benchrig.cli.console:console", "The operator's page: the bench in a browser."),
    "qualify": ("benchrig.cli.qualify:qualify", "Measure and judge one removed valve."),
    "analyse": ("benchrig.cli.analyse:analyse", "A trace from any oscilloscope or logger: inrush, hold, flow."),
    "bench": ("benchrig.cli.bench:bench", "Can it be trusted today? show, check, calibrate, repeatability, chart."),
    "board": ("benchrig.cli.board:board", "The relay board by itself: info, self-test."),
    "models": ("benchrig.cli.models:models", "Valve models and their limits: list, show."),
    "rehearse": ("benchrig.cli.rehearse:rehearse", "Simulated valves of known condition: what error rates to expect."),
    "records": ("benchrig.cli.records:records", "What was measured: list, show, summary, export, verify."),
    "report": ("benchrig.cli.report:report", "Make page and label of a run again from its record."),
    "simulate": ("benchrig.cli.simulate:simulate", "Simulated instruments on a pseudo-terminal and TCP."),
}


# \b keeps the lines of a paragraph as they are
_HELP = """Qualify removed canister-purge solenoid valves: measure, judge, say what is wrong, keep the record.

\b
Start here:    benchrig demo
A real part:   benchrig qualify --model MODEL --tag TAG --bench bench.toml
Each morning:  benchrig bench check --bench bench.toml

\b
Exit status:   0 accepted   1 rejected   2 usage or configuration
               3 bench fault or aborted   4 undecided

Used valves hold fuel: purge and air the part outdoors first, ventilate, no sparks. Local codes and a competent
person decide; this program is never the safety function.
"""


@click.group(
    cls=LazyGroup,
    lazy=_COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help=_HELP,
)
@click.version_option(__version__, prog_name="benchrig")
@click.option(
    "--store",
    metavar="URL",
    expose_value=False,
    is_eager=True,
    callback=name_store,
    help="The store that benches share, as postgresql://user@host/database; or a file. BENCHRIG_STORE, or store.toml "
    "in the workshop's folder, names it too.",
)
def cli() -> None:
    """Find the command and hand over to it."""


def run() -> int:
    """Run the command line and return its exit status. Output that cannot be written is no error here."""
    # One thread: the matrices here are a dozen rows, and threads that wait for each other only cost.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for them costs a tenth of the start
    gc.disable()  # a run makes little garbage in circles and is soon over; collecting costs it 5 %
    try:
        return int(cli.main(standalone_mode=False) or 0)
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 3 if leaving.code is not None else 0
    except click.ClickException as error:
        # `speaks` tells errors within a command; these come before one has begun.
        _as_document(error.format_message(), hint="'--help' after the command says what it takes.")
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        with stop_requests.ending():
            _as_document("Stopped by the operator.")
            click.echo("Stopped.", err=True)
        return 3
    except Exception as error:  # noqa: BLE001  # a bug must not leave with status 1, which says that a valve was rejected
        with stop_requests.ending():
            _as_document(f"A fault in the program: {error!r}", hint="Please report it with its traceback, on stderr.")
            traceback.print_exc()
        return 3


def _as_document(error: str, hint: str = "") -> None:
    """An error as the one JSON document on stdout, where one was asked for."""
    if "--json" in sys.argv[1:]:
        from benchrig.cli.output import emit

        emit({"error": error, "hint": hint, "bench_state": ""})
