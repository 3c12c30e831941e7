"""A stand-in for the person at the bench: a program on this computer that connects references by itself.

The served simulated bench has one, so that controls, checks and calibrations run on it as they do in memory. One
request a line over TCP: ``connect blind-plug`` is answered ``ok``; ``read barometer`` with a number; ``no: ...`` is a
refusal.
"""

from __future__ import annotations

import socket

from benchrig.errors import DeviceError, LinkError

__all__ = ["StandInOperator"]

ANSWER_S = 2.0
"""The bench is disarmed while things are connected; an answer on this computer takes a millisecond."""


class StandInOperator:
    """Connects and reads at an address ``HOST:PORT``; opens a connection for each request."""

    def __init__(self, address: str) -> None:
        self._address = address
        host, _, port = address.rpartition(":")
        self._at = (host, int(port))

    def connect(self, fitting: str) -> None:
        """Put something in the valve's place. Safe to repeat."""
        self._ask(f"connect {fitting}")

    def read(self, what: str) -> float:
        """Read a reference instrument: ``barometer`` in kPa, ``voltmeter`` in V."""
        answer = self._ask(f"read {what}")
        try:
            return float(answer)
        except ValueError as error:
            raise LinkError(
                f"Stand-in at {self._address}: {answer[:40]!r} is no reading of the {what}.",
                hint="Is another program listening at stand_in of the bench file?",
            ) from error

    def _ask(self, request: str) -> str:
        try:
            with socket.create_connection(self._at, timeout=ANSWER_S) as link:
                link.sendall(request.encode("ascii") + b"\n")
                with link.makefile("r", encoding="ascii", errors="replace") as answers:
                    answer = answers.readline(200).strip()
        except OSError as error:
            raise LinkError(
                f"Stand-in at {self._address}: no answer ({error.strerror or error}).",
                hint="Is 'benchrig simulate' still running? Otherwise take stand_in out of the bench file: a person "
                "is asked then.",
            ) from error
        if answer.startswith("no"):
            raise DeviceError(
                f"Stand-in at {self._address} refuses {request!r}: {answer.partition(':')[2].strip()}",
                hint="Do bench file and program fit each other?",
            )
        if not answer:
            raise LinkError(
                f"Stand-in at {self._address} closed the connection without an answer.",
                hint="Is another program listening at stand_in of the bench file?",
            )
        return answer
