"""`--scheduler`, for the commands whose work other computers can do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console

    from benchrig.application.events import WorkersLost

__all__ = ["print_workers_lost", "scheduler_option"]

scheduler_option = click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let the workers of this Dask scheduler do it (tcp://HOST:8786), with the same benchrig installed there. "
    "Needs the extra: pip install 'benchrig[dask]'. Default: this computer.",
)


def print_workers_lost(console: Console, lost: WorkersLost) -> None:
    """Say that a cluster can do no more, and who goes on."""
    console.print(
        f"{lost.said} What came is kept; this computer does the {lost.left} left over.", style="yellow", markup=False
    )
    console.print(f"  {lost.hint}", style="dim", markup=False)
