"""The simulated multimeter's language, SCPI-1999 over IEEE 488.2: a line in, at most a line out; and its ways to fail.

It reads whatever is really joined to its terminals. Lines are obeyed in order; a line that must wait for readings
(``READ?``, ``FETC?``, ``*OPC?``, ``*WAI``) holds up those behind it, as in a real instrument. After a command error the
rest of its line is dropped; other errors only skip their own unit.

Not modelled: front panel, service requests, status registers beyond those of IEEE 488.2, functions other than ohms.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

from simulators.instruments.meter_setting import MeterSetting, limited
from simulators.instruments.ohmmeter import RANGES, Ohmmeter, Range, Terminals
from simulators.instruments.scpi import ScpiError, StatusRegisters, arguments, compiled_header, split_units

__all__ = ["IDENTITY", "MeterMode", "SimulatedMeter"]

IDENTITY = "FICTION INSTRUMENTS,BENCH METER 6,SIM0001,1.0"
OTHER_IDENTITY = "FICTION INSTRUMENTS,FREQUENCY COUNTER 2,SIM0404,1.0"
OVERLOAD = "+9.90000000E+37"  # SCPI-1999 volume 1: infinity
GARBAGE = "\xff\x00\x13~#\xfe"
PROCESSING_S = 0.002
MOST_WAITING_LINES = 64
MOST_SAMPLES = 1000

_Act = Callable[[list[str], float], str | None]
_Row = tuple[str, int, int, bool, _Act]


class MeterMode(Enum):
    """How the meter behaves towards whoever asks."""

    NORMAL = "normal"
    SILENT = "silent"
    """Obeys, never answers."""
    LATE = "late"
    """Holds the next answer back until another question comes, then is as before: one answer out of step."""
    GARBAGE = "garbage"
    """Answers are damaged."""
    OTHER = "other"
    """Another instrument is plugged in here."""
    UNPLUGGED = "unplugged"
    """Nobody is there; the links report it as an OSError or a closed socket."""


@dataclass(frozen=True)
class _Command:
    header: re.Pattern[str]
    least: int
    most: int
    waits: bool
    """Whether it is held up while readings are to come."""
    act: _Act

    def obey(self, given: list[str], now: float) -> str | None:
        if len(given) < self.least:
            raise ScpiError(-109)
        if len(given) > self.most:
            raise ScpiError(-108)
        return self.act(given, now)


class SimulatedMeter:
    """One multimeter. Time is handed in; nothing here waits.

    Parameters
    ----------
    terminals : Terminals
        The world's end of the leads.
    seed : int
        Draws the noise, and the errors inside the specification unless `range_seed` is given for those.
    gain, zero_ohm : float
        A further error on every range: of a meter that is out of its specification.

    Attributes
    ----------
    mode : MeterMode
        May be set at any time.
    """

    def __init__(
        self,
        terminals: Terminals,
        *,
        seed: int,
        range_seed: int | None = None,
        gain: float = 1.0,
        zero_ohm: float = 0.0,
    ) -> None:
        self.mode = MeterMode.NORMAL
        self.status = StatusRegisters()
        self._ohms = Ohmmeter(
            terminals,
            seed=seed,
            range_seed=range_seed,
            gain=gain,
            zero_ohm=zero_ohm,
            on_disturbed=lambda: self.status.report(ScpiError(-300, "voltage on the terminals")),
        )
        self._lines: deque[str] = deque()
        self._units: deque[str] = deque()
        self._parts: list[str] = []
        self._path = ""
        self._answers: deque[tuple[float, str]] = deque()
        self._held: str | None = None
        self._commands = self._table()
        self._held_range: Range | None = None
        self._reset()

    # -- what the wire sees

    def handle(self, line: str, now: float) -> None:
        """Take one line, its terminator removed, that arrived at `now`."""
        if self.mode is MeterMode.UNPLUGGED:
            return
        if self._held is not None and "?" in line:
            self._answers.append((now + PROCESSING_S, self._held))
            self._held = None
        if len(self._lines) >= MOST_WAITING_LINES:
            self.status.report(ScpiError(-363))
            return
        self._lines.append(line)
        self._obey(now)

    def take(self, now: float) -> list[str]:
        """Take the answers that are ready at `now`, oldest first, without terminators."""
        ready: list[str] = []
        while self._answers and self._answers[0][0] <= now:
            ready.append(self._answers.popleft()[1])
        return ready

    def next_answer_s(self) -> float | None:
        """Instant at which the oldest answer is ready; None when there is none yet."""
        return self._answers[0][0] if self._answers else None

    def disconnected(self) -> None:
        """The session has ended: what was on its way, either way, is lost; settings and readings stay."""
        self._lines.clear()
        self._units.clear()
        self._parts.clear()
        self._answers.clear()
        self._held = None

    # -- what the simulated bench drives

    def next_due(self) -> float | None:
        """Instant at which the input has to be looked at; None when nothing is being measured."""
        return self._ohms.next_due()

    def tick(self, now: float) -> None:
        """Do what is due. The world must stand at `now`."""
        was_running = self._ohms.running
        self._ohms.tick(now)
        if was_running and not self._ohms.running:
            self._complete()
            self._obey(now)

    # -- obeying

    def _obey(self, now: float) -> None:
        while True:
            if not self._units:
                self._finish_line(now)
                if not self._lines:
                    return
                self._units.extend(split_units(self._lines.popleft()))
                self._path = ""
                continue
            try:
                command, given, path = self._find(self._units[0])
                if command.waits and self._pending:
                    return
                self._units.popleft()
                self._path = path
                part = command.obey(given, now)
                if part is not None:
                    self._parts.append(part)
            except ScpiError as error:
                self.status.report(error)
                if error.code > -200:
                    self._units.clear()

    def _find(self, unit: str) -> tuple[_Command, list[str], str]:
        header, given = arguments(unit)
        common = header.startswith("*")
        full = header if common else header[1:] if header.startswith(":") else self._path + header
        for command in self._commands:
            if command.header.fullmatch(full):
                branch, colon, _ = full.rpartition(":")
                return command, given, self._path if common else branch + colon
        self._units.popleft()
        raise ScpiError(-113, header)

    def _finish_line(self, now: float) -> None:
        if not self._parts:
            return
        text = ";".join(self._parts)
        self._parts.clear()
        if self.mode is MeterMode.SILENT:
            return
        if self.mode is MeterMode.LATE:
            self._held = text
            self.mode = MeterMode.NORMAL
            return
        self._answers.append((now + PROCESSING_S, GARBAGE if self.mode is MeterMode.GARBAGE else text))

    # -- the trigger system

    @property
    def _pending(self) -> bool:
        return self._armed or self._ohms.running

    def _reset(self) -> None:
        self._wires = 2
        self._settings = {2: MeterSetting(), 4: MeterSetting()}
        if self._held_range is not None:
            self.hold_range(self._held_range.full_ohm)
        self._samples = 1
        self._source = "IMM"
        self._stop()

    def _stop(self) -> None:
        self._ohms.abort()
        self._armed = False
        self._tell_complete = False

    def _initiate(self, _: list[str], now: float) -> None:
        if self._pending:
            raise ScpiError(-213)
        self._ohms.abort()
        if self._source == "IMM":
            self._start(now)
        else:
            self._armed = True

    def _start(self, now: float) -> None:
        setting = self._settings[self._wires]
        self._armed = False
        self._ohms.wires, self._ohms.range, self._ohms.auto, self._ohms.nplc = (
            self._wires,
            setting.range,
            setting.auto,
            setting.nplc,
        )
        self._ohms.start(now, self._samples)

    def _trigger(self, _: list[str], now: float) -> None:
        if not (self._armed and self._source == "BUS"):
            raise ScpiError(-211)
        self._start(now)

    def _complete(self) -> None:
        if self._tell_complete:
            self.status.event |= StatusRegisters.OPERATION_COMPLETE
            self._tell_complete = False

    def _operation_complete(self, _: list[str], __: float) -> None:
        self._tell_complete = True
        if not self._pending:
            self._complete()

    def _fetch(self, _: list[str], __: float) -> str:
        if not self._ohms.readings_ohm:
            raise ScpiError(-230)
        return ",".join(OVERLOAD if math.isinf(x) else f"{x:+.8E}" for x in self._ohms.readings_ohm)

    def _read(self, _: list[str], __: float) -> None:
        if self._source == "BUS":
            raise ScpiError(-214)
        self._units.extendleft([":FETC?", ":INIT"])

    # -- settings

    def _configure(self, wires: int, given: list[str]) -> None:
        setting = MeterSetting.configured(given)
        self._wires, self._samples, self._source = wires, 1, "IMM"
        self._change(wires, setting)

    def _measure(self, wires: int, given: list[str], now: float) -> None:
        self._configure(wires, given)
        self._read([], now)

    def _configuration(self, _: list[str], __: float) -> str:
        setting = self._settings[self._wires]
        full_ohm, resolution_ohm = setting.range.full_ohm, setting.resolution_ohm
        return f'"{"FRES" if self._wires == 4 else "RES"} {full_ohm:+.8E},{resolution_ohm:+.8E}"'

    def _change(self, wires: int, setting: MeterSetting) -> None:
        self._stop()
        if self._held_range is not None:
            setting = replace(setting, range=self._held_range, auto=False)
        self._settings[wires] = setting

    def hold_range(self, full_ohm: float) -> None:
        """Stay on one range from now on, whatever is asked for, as with a range key held down."""
        self._held_range = next(r for r in RANGES if r.full_ohm == full_ohm)
        for wires, setting in self._settings.items():
            self._settings[wires] = replace(setting, range=self._held_range, auto=False)

    def _set_samples(self, given: list[str], _: float) -> None:
        self._samples = round(limited(given[0], 1, MOST_SAMPLES, 1, ohms=False))

    def _set_source(self, given: list[str], _: float) -> None:
        words = {"IMM": "IMM", "IMMEDIATE": "IMM", "BUS": "BUS", "EXT": "EXT", "EXTERNAL": "EXT"}
        if given[0].upper() not in words:
            raise ScpiError(-224, given[0])
        self._source = words[given[0].upper()]

    # -- common commands

    def _clear_status(self, _: list[str], __: float) -> None:
        self.status.clear()
        self._tell_complete = False

    def _enable_events(self, given: list[str], _: float) -> None:
        self.status.event_enable = round(limited(given[0], 0, 255, 0, ohms=False))

    def _enable_requests(self, given: list[str], _: float) -> None:
        self.status.request_enable = round(limited(given[0], 0, 255, 0, ohms=False)) & ~0x40

    def _status_byte(self, _: list[str], __: float) -> str:
        return f"{self.status.byte(message_available=bool(self._parts or self._answers)):+d}"

    def _identity(self, _: list[str], __: float) -> str:
        return OTHER_IDENTITY if self.mode is MeterMode.OTHER else IDENTITY

    def _table(self) -> list[_Command]:
        def nothing(_: list[str], __: float) -> None:
            return None

        rows: list[_Row] = [
            ("*CLS", 0, 0, False, self._clear_status),
            ("*ESE", 1, 1, False, self._enable_events),
            ("*ESE?", 0, 0, False, lambda _, __: f"{self.status.event_enable:+d}"),
            ("*ESR?", 0, 0, False, lambda _, __: f"{self.status.take_event():+d}"),
            ("*IDN?", 0, 0, False, self._identity),
            ("*OPC", 0, 0, False, self._operation_complete),
            ("*OPC?", 0, 0, True, lambda _, __: "1"),
            ("*RST", 0, 0, False, lambda _, __: self._reset()),
            ("*SRE", 1, 1, False, self._enable_requests),
            ("*SRE?", 0, 0, False, lambda _, __: f"{self.status.request_enable:+d}"),
            ("*STB?", 0, 0, False, self._status_byte),
            ("*TRG", 0, 0, False, self._trigger),
            ("*TST?", 0, 0, True, lambda _, __: "+0"),
            ("*WAI", 0, 0, True, nothing),
            ("ABORt", 0, 0, False, lambda _, __: self._stop()),
            ("CONFigure?", 0, 0, False, self._configuration),
            ("FETCh?", 0, 0, True, self._fetch),
            ("INITiate[:IMMediate]", 0, 0, False, self._initiate),
            ("READ?", 0, 0, True, self._read),
            ("SAMPle:COUNt", 1, 1, False, self._set_samples),
            ("SAMPle:COUNt?", 0, 0, False, lambda _, __: f"{self._samples:+d}"),
            ("SYSTem:ERRor[:NEXT]?", 0, 0, False, lambda _, __: self.status.errors.pop()),
            ("SYSTem:ERRor:COUNt?", 0, 0, False, lambda _, __: f"{len(self.status.errors):+d}"),
            ("SYSTem:VERSion?", 0, 0, False, lambda _, __: "1999.0"),
            ("TRIGger[:SEQuence]:SOURce", 1, 1, False, self._set_source),
            ("TRIGger[:SEQuence]:SOURce?", 0, 0, False, lambda _, __: self._source),
        ]
        rows.append(("[SENSe:]FUNCtion[:ON]?", 0, 0, False, lambda _, __: '"FRES"' if self._wires == 4 else '"RES"'))
        for name, wires in (("RESistance", 2), ("FRESistance", 4)):
            rows += self._function_rows(name, wires)
        return [
            _Command(compiled_header(pattern), least, most, waits, act) for pattern, least, most, waits, act in rows
        ]

    def _function_rows(self, name: str, wires: int) -> list[_Row]:
        sense = f"[SENSe:]{name}"

        def change(new: Callable[[MeterSetting, str], MeterSetting]) -> _Act:
            return lambda given, _: self._change(wires, new(self._settings[wires], given[0]))

        return [
            (f"CONFigure[:SCALar]:{name}", 0, 2, False, lambda given, _: self._configure(wires, given)),
            (f"MEASure[:SCALar]:{name}?", 0, 2, True, lambda given, now: self._measure(wires, given, now)),
            (f"{sense}:NPLCycles", 1, 1, False, change(MeterSetting.with_nplc)),
            (f"{sense}:NPLCycles?", 0, 0, False, lambda _, __: f"{self._settings[wires].nplc:+.8E}"),
            (f"{sense}:RANGe[:UPPer]", 1, 1, False, change(MeterSetting.with_range)),
            (f"{sense}:RANGe[:UPPer]?", 0, 0, False, lambda _, __: f"{self._settings[wires].range.full_ohm:+.8E}"),
            (f"{sense}:RANGe:AUTO", 1, 1, False, change(MeterSetting.with_auto)),
            (f"{sense}:RANGe:AUTO?", 0, 0, False, lambda _, __: str(int(self._settings[wires].auto))),
        ]
