"""Who is told what to connect: a person at the terminal, or the simulated bench, which does it by itself."""

from __future__ import annotations

import math
import select
import sys
from typing import cast

import click
from rich.console import Console
from rich.live import Live
from rich.text import Text

from benchrig.bench.bench import Bench
from benchrig.cli.progress import ProgressLine
from benchrig.sequencer.operator import Fitting, Hands, Operator, Silent, Unattended

__all__ = ["AtTheValve", "Person", "Simulated", "control_operator", "operator_for", "ring"]

SAY = {
    Fitting.VALVE: "Take the reference off: plug and port are free for the next valve.",
    Fitting.SHORT: "Short the meter's leads at the coil plug: the shorting plug in place of the coil.",
    Fitting.RESISTOR: "Put the reference resistor on the coil plug. It gets hot: do not hold it.",
    Fitting.BLIND: "Close the port: blind plug in place of the valve.",
    Fitting.OPEN: "Take the blind plug off: leave the port open, with nothing on it.",
    Fitting.SOUND_VALVE: "Put a sound valve on, plug and port: dry and tight, of any model.",
    Fitting.VACUUM_GAUGE: "Join the reference vacuum gauge to the port.",
    Fitting.VESSEL: "Join the known volume to the port, full of room air, its tap closed.",
}
SAY_NOW = {Fitting.VESSEL: "Open the tap of the known volume now, slowly."}
ASK = {
    "barometer": "Station pressure by the barometer (not reduced to sea level)",
    "vacuum gauge": "Absolute pressure by the reference vacuum gauge",
    "voltmeter": "Voltage across the reference resistor by the reference voltmeter",
}
TAKEN = {"barometer": (50.0, 110.0), "voltmeter": (0.001, 100.0)}
"""What can be entered: the same for the barometer as after ``--barometer-kpa``."""
LOOK_S = 0.2


def ring(console: Console) -> None:
    """Ring the terminal's bell: something is to be done, or the verdict is there."""
    if console.is_terminal:
        console.bell()


class _Screen:
    """One line that changes while the bench works; nothing where there is no terminal."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self._live: Live | None = None

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Show what the bench does."""
        if not self.console.is_terminal:
            return
        if self._live is None:
            self._live = Live(console=self.console, auto_refresh=False, transient=True)
            self._live.start()
        full = round(24 * min(done_s / expected_s, 1.0)) if expected_s > 0 else 0
        line = Text(f"    {what:<24} ")
        line.append("━" * full, style="cyan")
        line.append("─" * (24 - full), style="dim")
        line.append(f" {done_s:5.1f} s  ")
        line.append(reading, style="bold")
        self._live.update(line, refresh=True)

    def still(self) -> None:
        """Take the line away."""
        if self._live is not None:
            self._live.stop()
            self._live = None


class Person(_Screen):
    """A person at the terminal: one thing at a time, Enter to go on."""

    def __init__(self, console: Console, bench: Bench, default_barometer_kpa: float | None = None) -> None:
        super().__init__(console)
        self._bench = bench
        self._default = {"barometer": default_barometer_kpa}

    def connect(self, fitting: Fitting) -> None:
        """Say what to connect and wait for Enter. The bench is disarmed meanwhile."""
        self.still()
        self.console.print()
        self.console.print(Text(f"  {SAY[fitting]}", style="bold"))
        if fitting is Fitting.VALVE:
            return
        self.console.print(Text("  Enter when it is on; Ctrl-C to stop. ", style="dim"), end="")
        self._line()
        self.console.print()

    def now(self, fitting: Fitting) -> None:
        """Say what to do at this moment."""
        self.still()
        self.console.print(Text(f"  {SAY_NOW.get(fitting, SAY[fitting])}", style="bold"))

    def read(self, what: str, unit: str) -> float:
        """Ask for a number until one comes; the board is fed meanwhile where it is armed."""
        self.still()
        default = self._default.get(what)
        while True:
            said = f"  {ASK[what]}, {unit}{'' if default is None else f' [{default:g}]'}: "
            self.console.print(Text(said, style="bold"), end="")
            answer = self._line().strip().replace(",", ".")
            if not answer and default is not None:
                return default
            low, high = TAKEN[what]
            try:
                value = float(answer)
            except ValueError:
                value = math.nan
            if low <= value <= high:
                return value
            tenfold = (
                f" {answer} hPa would be {value / 10:g} kPa." if unit == "kPa" and low <= value / 10 <= high else ""
            )
            self.console.print(
                Text(f"  A number of {unit} from {low:g} to {high:g} is wanted.{tenfold}", style="yellow")
            )

    def _line(self) -> str:
        """One line from stdin. A board that is armed must not think us dead while a person reads or types."""
        if self._bench.armed:
            while not select.select([sys.stdin], [], [], LOOK_S)[0]:
                self._bench.feed()
        line = sys.stdin.readline()
        if not line:
            raise Unattended(
                "Nobody answered: the input ended while the bench waited for a person.",
                hint="Run it in a terminal; without hardware: --simulated.",
            )
        return line


class Simulated(_Screen):
    """The simulated bench: what a person is told, it does at once."""

    def __init__(self, console: Console, hands: Hands) -> None:
        super().__init__(console)
        self._hands = hands

    def connect(self, fitting: Fitting) -> None:
        """Have it connected."""
        self.still()
        self.console.print(Text(f"  {SAY[fitting]}", style="dim"), soft_wrap=True)
        # A vessel whose tap is closed is a blind plug to the bench.
        self._hands.connect(Fitting.BLIND.value if fitting is Fitting.VESSEL else fitting.value)

    def now(self, fitting: Fitting) -> None:
        """Have it done at once."""
        self.still()
        self.console.print(Text(f"  {SAY_NOW.get(fitting, SAY[fitting])}", style="dim"))
        self._hands.connect(fitting.value)

    def read(self, what: str, unit: str) -> float:
        """Have it read."""
        self.still()
        value = self._hands.read(what)
        self.console.print(Text(f"  {ASK[what]}: {value:.7g} {unit}", style="dim"))
        return value


def _own_hands(hands: object | None) -> Hands | None:
    """What a bench connects references with by itself; None where it needs a person."""
    return cast("Hands", hands) if hasattr(hands, "connect") and hasattr(hands, "read") else None


def operator_for(console: Console, bench: Bench, hands: object | None) -> Person | Simulated:
    """The operator for a bench: by itself where it has hands, else a person."""
    own = _own_hands(hands)
    if own is not None:
        return Simulated(console, own)
    if not bench.file.bench.simulated or sys.stdin.isatty():
        return Person(console, bench, bench.file.bench.barometer_kpa)
    raise click.UsageError("This simulated bench cannot connect anything by itself: run it in a terminal.")


class AtTheValve(Person):
    """A person who is asked to take the valve off in the middle of a run; the run's own line shows what goes on."""

    def __init__(self, console: Console, bench: Bench, line: ProgressLine) -> None:
        super().__init__(console, bench)
        self._progress = line

    def connect(self, fitting: Fitting) -> None:
        """Say what to do and why, and wait for Enter."""
        say = {
            Fitting.BLIND: "Does the valve leak, or the bench? Take the valve off, close the port: blind plug.",
            Fitting.OPEN: "Is the valve blocked, or the hose? Leave the port open, with nothing on it.",
        }
        ring(self.console)
        with self._progress.paused():
            self.console.print(Text(f"\n  {say.get(fitting, SAY[fitting])}", style="bold"))
            self.console.print(Text("  Outputs are off. Enter when it is done; Ctrl-C to stop. ", style="dim"), end="")
            self._line()

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Show it on the run's line."""
        self._progress.progress("control", done_s, expected_s, reading)


def control_operator(console: Console, bench: Bench, hands: object | None, line: ProgressLine) -> Operator | None:
    """Who takes the valve off for the control: the simulated bench itself, a person who can be asked, or nobody."""
    own = _own_hands(hands)
    if own is not None:
        return Silent(own)
    return AtTheValve(console, bench, line) if sys.stdin.isatty() and console.is_terminal else None
