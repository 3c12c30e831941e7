"""The program's start, for the ``benchrig`` command and ``python -m benchrig``.

Small on purpose: requests to stop are heard, and outputs that are closed or full are made harmless, before anything
that takes its time is imported.
"""

from __future__ import annotations

import sys

_usual_hook = sys.excepthook
# Until `listen` has been called, Ctrl-C would still show a traceback.
sys.excepthook = lambda kind, error, trace: None if kind is KeyboardInterrupt else _usual_hook(kind, error, trace)

import os  # noqa: E402

from benchrig import stop_requests  # noqa: E402

__all__ = ["main"]


def main() -> None:
    """Run the command line and leave with its exit status: 1 means rejected and nothing else."""
    status = 3
    try:
        try:
            stop_requests.listen()
            from benchrig.cli.standard_streams import forgiving_streams

            forgiving_streams()
            from benchrig.cli import run

            status = run()
        except KeyboardInterrupt:
            with stop_requests.ending():
                if "--json" in sys.argv[1:]:  # as `benchrig.cli.output` would say it, which may not be there yet
                    sys.stdout.write('{"error": "Stopped by the operator.", "hint": "", "bench_state": ""}\n')
                sys.stderr.write("Stopped.\n")
        with stop_requests.ending():
            sys.stdout.flush()
            sys.stderr.flush()
    finally:
        # All is written and closed by now. Handing back memory piece by piece would cost a tenth of a simulated run.
        os._exit(status)


if __name__ == "__main__":
    main()
