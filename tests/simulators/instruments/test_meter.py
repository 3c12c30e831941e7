"""The simulated multimeter against what IEEE 488.2 and SCPI-1999 say an instrument answers."""

from __future__ import annotations

import math

import pytest

from simulators.instruments.meter import IDENTITY, MeterMode, SimulatedMeter
from simulators.instruments.ohmmeter import RANGES
from tests.simulators.still_world import METER, StillWorld


class Bench:
    """A meter on a world whose coil is routed to it, and a clock."""

    def __init__(self, *, seed: int = 1) -> None:
        self.world = StillWorld()
        self.world.outputs = METER
        self.meter = SimulatedMeter(self.world, seed=seed)
        self.ask("*CLS")

    def wait(self, until_s: float) -> None:
        while (due := self.meter.next_due()) is not None and due <= until_s:
            self.world.advance_to(max(due, self.world.t_s))
            self.meter.tick(self.world.t_s)
        self.world.advance_to(until_s)

    def ask(self, line: str, *, seconds: float = 0.01) -> list[str]:
        self.meter.handle(line, self.world.t_s)
        self.wait(self.world.t_s + seconds)
        return self.meter.take(self.world.t_s)


NO_ERROR = '+0,"No error"'

# Lines sent in order, each with its whole answer; sources: IEEE 488.2-1992 chapters 10 and 11, SCPI-1999 volumes 1
# and 2 (numbers and texts of errors: volume 2, chapter 21), both from memory where the physics notes do not confirm.
DIALOGUES = {
    "identity has four fields": [("*IDN?", [IDENTITY])],
    "commands are read in either case": [("*idn?", [IDENTITY]), ("syst:err?", [NO_ERROR])],
    "an empty error queue says so": [("SYST:ERR?", [NO_ERROR]), ("SYSTem:ERRor:NEXT?", [NO_ERROR])],
    "an unknown header is -113 and sets the command error bit": [
        ("MAKE:TEA 1", []),
        ("*ESR?", ["+32"]),
        ("SYST:ERR?", ['-113,"Undefined header;MAKE:TEA"']),
        ("SYST:ERR?", [NO_ERROR]),
    ],
    "half-short forms do not exist": [("CONFI:FRES 100", []), ("SYST:ERR?", ['-113,"Undefined header;CONFI:FRES"'])],
    "a missing parameter is -109": [("SENS:FRES:NPLC", []), ("SYST:ERR?", ['-109,"Missing parameter"'])],
    "a parameter too many is -108": [("SAMP:COUN 1,2", []), ("SYST:ERR?", ['-108,"Parameter not allowed"'])],
    "a number out of range is -222 and sets the execution error bit": [
        ("SENS:FRES:NPLC 1000", []),
        ("*ESR?", ["+16"]),
        ("SYST:ERR?", ['-222,"Data out of range;1000"']),
    ],
    "a word for a number is -104": [("SAMP:COUN many", []), ("SYST:ERR?", ['-104,"Data type error;many"'])],
    "a wrong unit is -131": [("SENS:FRES:RANG 100 VOLT", []), ("SYST:ERR?", ['-131,"Invalid suffix;VOLT"'])],
    "a word that is no choice is -224": [
        ("TRIG:SOUR SOMETIMES", []),
        ("SYST:ERR?", ['-224,"Illegal parameter value;SOMETIMES"']),
    ],
    "fetching before measuring is -230": [("FETC?", []), ("SYST:ERR?", ['-230,"Data corrupt or stale"'])],
    "reading with a bus trigger would wait for ever: -214": [
        ("CONF:FRES 100", []),
        ("TRIG:SOUR BUS", []),
        ("READ?", []),
        ("SYST:ERR?", ['-214,"Trigger deadlock"']),
    ],
    "a trigger that nobody waits for is -211": [("*TRG", []), ("SYST:ERR?", ['-211,"Trigger ignored"'])],
    "errors come out oldest first": [
        ("BAD1", []),
        ("SAMP:COUN 0", []),
        ("SYST:ERR:COUN?", ["+2"]),
        ("SYST:ERR?", ['-113,"Undefined header;BAD1"']),
        ("SYST:ERR?", ['-222,"Data out of range;0"']),
    ],
    "*CLS empties queue and event register": [
        ("BAD", []),
        ("*CLS", []),
        ("*ESR?", ["+0"]),
        ("SYST:ERR?", [NO_ERROR]),
    ],
    "reading the event register clears it": [("*OPC", []), ("*ESR?", ["+1"]), ("*ESR?", ["+0"])],
    "nothing pending: *OPC? answers 1 at once": [("*OPC?", ["1"])],
    "the status byte sums up: queue 4, event summary 32, master summary 64": [
        ("*ESE 32", []),
        ("*SRE 32", []),
        ("BAD", []),
        ("*STB?", ["+100"]),
        ("*ESE?", ["+32"]),
        ("*SRE?", ["+32"]),
    ],
    "bit 6 of the request mask is ignored": [("*SRE 255", []), ("*SRE?", ["+191"])],
    "several units on a line answer on one line": [("*ESE 4;*ESE?;*SRE?", ["+4;+0"])],
    "a command error drops the rest of its line, no other line": [
        ("BAD;*IDN?", []),
        ("*IDN?", [IDENTITY]),
    ],
    "an execution error drops its own unit only": [("SAMP:COUN 0;*IDN?", [IDENTITY])],
    "a header continues at the level of the one before it": [
        ("SENS:FRES:NPLC 1;RANG 100", []),
        ("SENS:FRES:NPLC?;RANG?", ["+1.00000000E+00;+1.00000000E+02"]),
        ("SYST:ERR?", [NO_ERROR]),
    ],
    "a colon goes back to the root": [("SENS:FRES:NPLC 1;:SAMP:COUN 3;:SAMP:COUN?", ["+3"]), ("SYST:ERR?", [NO_ERROR])],
    "without the colon the header is looked for below": [
        ("SENS:FRES:NPLC 1;SAMP:COUN 3", []),
        ("SYST:ERR?", ['-113,"Undefined header;SAMP:COUN"']),
    ],
    "a common command in between leaves the level alone": [
        ("FRES:NPLC 1;*OPC;RANG 100", []),
        ("FRES:RANG?", ["+1.00000000E+02"]),
        ("SYST:ERR?", [NO_ERROR]),
    ],
    "SENSe may be left out": [("FRES:NPLC 0.2", []), ("SENSE:FRESISTANCE:NPLCYCLES?", ["+2.00000000E-01"])],
    "the aperture is rounded up to one there is": [("RES:NPLC 5", []), ("RES:NPLC?", ["+1.00000000E+01"])],
    "the range is the smallest that is large enough": [
        ("FRES:RANG 47", []),
        ("FRES:RANG?", ["+1.00000000E+02"]),
        ("FRES:RANG:AUTO?", ["0"]),
        ("FRES:RANG 0.2 KOHM", []),
        ("FRES:RANG?", ["+1.00000000E+03"]),
        ("FRES:RANG:AUTO ON", []),
        ("FRES:RANG:AUTO?", ["1"]),
    ],
    "CONFigure? tells function, range and resolution": [
        ("CONF:FRES 100,1e-3", []),
        ("CONF?", ['"FRES +1.00000000E+02,+1.00000000E-03"']),
    ],
    "FUNCtion? tells the function in its short form, as a string": [
        ("SENS:FUNC?", ['"RES"']),
        ("CONF:FRES", []),
        ("FUNCtion:ON?", ['"FRES"']),
        ("SENSE:FUNC?;:CONF:RES;:FUNC?", ['"FRES";"RES"']),
        ("SYST:ERR?", [NO_ERROR]),
    ],
    "asking for a range does not end autorange": [
        ("FRES:RANG?", ["+1.00000000E+03"]),
        ("FRES:RANG:AUTO?", ["1"]),
        ("FRES:RANG:UPP?", ["+1.00000000E+03"]),
    ],
    "*RST goes back to two wires and autorange, and keeps masks and errors": [
        ("*ESE 8", []),
        ("CONF:FRES 100", []),
        ("BAD", []),
        ("*RST", []),
        ("CONF?;:RES:RANG:AUTO?;*ESE?", ['"RES +1.00000000E+03,+1.00000000E-03";1;+8']),
        ("SYST:ERR?", ['-113,"Undefined header;BAD"']),
    ],
    "the version is that of the standard": [("SYST:VERS?", ["1999.0"])],
    "the self-test passes": [("*TST?", ["+0"])],
    "an empty line and stray semicolons do nothing": [("", []), (";;", []), ("SYST:ERR?", [NO_ERROR])],
}


@pytest.mark.parametrize("dialogue", DIALOGUES.values(), ids=DIALOGUES.keys())
def test_the_meter_keeps_to_the_standard(dialogue):
    bench = Bench()
    for line, answer in dialogue:
        assert bench.ask(line) == answer, line


def test_the_power_on_bit_is_set_until_it_is_read():
    meter = SimulatedMeter(StillWorld(), seed=1)
    meter.handle("*ESR?;*ESR?", 0.0)
    assert meter.take(1.0) == ["+128;+0"]


def test_the_error_queue_holds_twenty_and_then_says_that_it_overflowed():
    bench = Bench()
    for _ in range(30):
        bench.ask("BAD")
    entries = [bench.ask("SYST:ERR?")[0] for _ in range(21)]
    assert [entry[:4] for entry in entries] == ["-113"] * 19 + ["-350", '+0,"']


def test_a_reading_is_started_polled_and_fetched_as_a_driver_does():
    bench = Bench()
    for line in ("CONF:FRES 100", "FRES:NPLC 10", "*CLS", "INIT;*OPC"):
        assert bench.ask(line) == []
    polls = []
    while not polls or polls[-1] == "+0":
        polls += bench.ask("*ESR?", seconds=0.05)
    # 10 cycles of 50 Hz for the input, 10 for auto-zero, 3 ms to settle: 0.403 s
    assert polls == ["+0"] * 8 + ["+1"]
    (answer,) = bench.ask("FETC?")
    assert answer[0] == "+"
    assert answer[11:] == "E+01"
    assert float(answer) == pytest.approx(24.5, abs=24.5 * 2e-4 + 0.004)
    assert bench.ask("FETC?") == [answer]


def test_what_must_wait_holds_up_the_lines_behind_it():
    bench = Bench()
    bench.ask("CONF:FRES 100;:FRES:NPLC 1")
    bench.ask("READ?", seconds=0)
    assert bench.ask("*IDN?", seconds=0.02) == []
    reading, identity = bench.ask("", seconds=1.0)
    assert float(reading) == pytest.approx(24.5, abs=0.01)
    assert identity == IDENTITY


def test_wai_puts_off_what_follows_on_its_line():
    bench = Bench()
    bench.ask("CONF:FRES 100;:FRES:NPLC 1")
    assert bench.ask("INIT;*WAI;*ESE?", seconds=0.03) == []
    assert bench.ask("", seconds=0.03) == ["+0"]


def test_an_operation_complete_that_was_cleared_never_comes():
    bench = Bench()
    bench.ask("CONF:FRES 100;:FRES:NPLC 1")
    bench.ask("INIT;*OPC", seconds=0)
    bench.ask("*CLS", seconds=1.0)
    assert bench.ask("*ESR?") == ["+0"]


def test_a_second_start_while_measuring_is_refused():
    bench = Bench()
    bench.ask("CONF:FRES 100", seconds=0)
    bench.ask("INIT;INIT", seconds=1.0)
    assert bench.ask("SYST:ERR?") == ['-213,"Init ignored"']
    assert len(bench.ask("FETC?")) == 1


def test_a_bus_trigger_starts_what_was_initiated():
    bench = Bench()
    bench.ask("CONF:FRES 100;:TRIG:SOUR BUS;:INIT;*OPC", seconds=2.0)
    assert bench.ask("*ESR?") == ["+0"]
    bench.ask("*TRG", seconds=1.0)
    assert bench.ask("*ESR?;:FETC?")[0].startswith("+1;+2.4")


def test_several_samples_come_as_one_list():
    bench = Bench()
    bench.ask("CONF:FRES 100;:FRES:NPLC 1;:SAMP:COUN 4")
    (answer,) = bench.ask("READ?", seconds=1.0)
    readings = [float(x) for x in answer.split(",")]
    assert len(readings) == 4
    assert len(set(readings)) == 4  # noise
    assert max(readings) - min(readings) < 0.01


@pytest.mark.parametrize("seed", range(20))
def test_the_reading_is_within_the_stated_accuracy(seed):
    bench = Bench(seed=seed)
    bench.world.coil_ohm = 99.0
    reading = float(bench.ask("MEAS:FRES? 100", seconds=1.0)[0])
    assert abs(reading - 99.0) < 99.0 * 2e-4 + 0.004


def test_two_meters_differ_and_the_same_seed_repeats():
    readings = [Bench(seed=seed).ask("MEAS:FRES? 100", seconds=1.0) for seed in (1, 2, 1)]
    assert readings[0] != readings[1]
    assert readings[0] == readings[2]


def test_two_wires_measure_the_leads_too():
    bench = Bench()
    four = float(bench.ask("MEAS:FRES? 100", seconds=1.0)[0])
    two = float(bench.ask("MEAS:RES? 100", seconds=1.0)[0])
    assert two - four == pytest.approx(0.12, abs=0.003)


def test_a_longer_aperture_has_less_noise():
    spread = {}
    for nplc in ("0.02", "10"):
        bench = Bench()
        bench.ask(f"CONF:FRES 100;:FRES:NPLC {nplc};:SAMP:COUN 100")
        readings = [float(x) for x in bench.ask("READ?", seconds=60.0)[0].split(",")]
        mean = sum(readings) / 100
        spread[nplc] = math.sqrt(sum((x - mean) ** 2 for x in readings) / 99)
    # 0.5 milliohm at one cycle, by the square root of the aperture; 100 readings know a spread to 7 % (one sigma)
    assert spread["0.02"] == pytest.approx(0.5e-3 / math.sqrt(0.02), rel=0.25)
    assert spread["10"] == pytest.approx(0.5e-3 / math.sqrt(10), rel=0.25)


@pytest.mark.parametrize("ohm", [3.0, 47.0, 119.0, 121.0, 5600.0, 1.1e5, 2.2e6, 4.7e7])
def test_autorange_finds_the_range(ohm):
    bench = Bench()
    bench.world.coil_ohm = ohm
    reading = float(bench.ask("MEAS:FRES?", seconds=3.0)[0])
    fits = next(r for r in RANGES if ohm <= 1.2 * r.full_ohm)
    assert abs(reading - ohm) < ohm * fits.gain_tolerance + fits.zero_tolerance_ohm


def test_autorange_looks_again_before_each_sample():
    bench = Bench()
    bench.ask("CONF:FRES;:FRES:NPLC 1;:SAMP:COUN 2")
    bench.ask("READ?", seconds=0.05)
    bench.world.coil_ohm = 2450.0
    first, second = (float(x) for x in bench.ask("", seconds=1.0)[0].split(","))
    assert first < 3000
    assert second == pytest.approx(2450.0, rel=1e-3)


@pytest.mark.parametrize("command", ["MEAS:FRES? 100", "MEAS:FRES?", "MEAS:RES? MAX"])
def test_an_open_circuit_is_overload(command):
    bench = Bench()
    bench.world.outputs = 0
    assert bench.ask(command, seconds=5.0) == ["+9.90000000E+37"]
    assert bench.ask("SYST:ERR?") == [NO_ERROR]


def test_a_fixed_range_overloads_above_120_percent():
    bench = Bench()
    bench.world.coil_ohm = 119.9
    assert float(bench.ask("MEAS:FRES? 100", seconds=1.0)[0]) == pytest.approx(119.9, abs=0.03)
    bench.world.coil_ohm = 120.1
    assert bench.ask("MEAS:FRES? 100", seconds=1.0) == ["+9.90000000E+37"]


def test_voltage_on_the_terminals_is_overload_and_an_error():
    bench = Bench()
    bench.world.disturbance_v = 13.2
    assert bench.ask("MEAS:FRES? 100", seconds=1.0) == ["+9.90000000E+37"]
    assert bench.ask("*ESR?") == ["+8"]
    assert bench.ask("SYST:ERR?") == ['-300,"Device-specific error;voltage on the terminals"']


def test_a_route_that_opens_within_the_aperture_spoils_the_reading():
    bench = Bench()
    bench.ask("CONF:FRES 100")
    bench.ask("INIT", seconds=0.15)
    bench.world.outputs = 0
    assert bench.ask("FETC?", seconds=1.0) == ["+9.90000000E+37"]


def test_a_silent_meter_obeys_without_answering():
    bench = Bench()
    bench.meter.mode = MeterMode.SILENT
    assert bench.ask("*ESE 4;*IDN?", seconds=10.0) == []
    bench.meter.mode = MeterMode.NORMAL
    assert bench.ask("*ESE?") == ["+4"]


def test_a_late_answer_comes_after_the_next_question_and_before_its_answer():
    bench = Bench()
    bench.meter.mode = MeterMode.LATE
    assert bench.ask("*IDN?", seconds=100.0) == []
    assert bench.ask("*CLS", seconds=1.0) == []
    assert bench.ask("*OPC?") == [IDENTITY, "1"]
    assert bench.ask("*OPC?") == ["1"]


def test_an_answer_on_its_way_is_lost_when_the_session_ends():
    bench = Bench()
    assert bench.ask("*IDN?", seconds=0) == []
    bench.meter.disconnected()
    assert bench.ask("*OPC?") == ["1"]


def test_a_late_answer_is_lost_when_the_session_ends():
    bench = Bench()
    bench.meter.mode = MeterMode.LATE
    bench.ask("*IDN?")
    bench.meter.disconnected()
    assert bench.ask("*OPC?") == ["1"]


def test_a_closed_session_frees_a_meter_that_waits_for_ever():
    bench = Bench()
    bench.ask("TRIG:SOUR EXT;:INIT;*OPC?;*IDN?", seconds=100.0)
    assert bench.ask("*IDN?", seconds=100.0) == []
    bench.meter.disconnected()
    assert bench.ask("*IDN?") == [IDENTITY]


def test_garbage_is_neither_ascii_nor_an_answer():
    bench = Bench()
    bench.meter.mode = MeterMode.GARBAGE
    (answer,) = bench.ask("*IDN?")
    assert not answer.isascii()
    assert "\n" not in answer


def test_another_instrument_gives_another_identity():
    bench = Bench()
    bench.meter.mode = MeterMode.OTHER
    (answer,) = bench.ask("*IDN?")
    assert answer.count(",") == 3
    assert not answer.startswith("FICTION INSTRUMENTS,BENCH METER 6")


def test_lines_beyond_what_can_wait_are_lost_with_an_error():
    bench = Bench()
    bench.ask("CONF:FRES 100", seconds=0)
    bench.meter.handle("READ?", bench.world.t_s)
    for _ in range(70):
        bench.meter.handle("*OPC?", bench.world.t_s)
    assert len(bench.ask("", seconds=1.0)) == 1 + 64
    assert bench.ask("SYST:ERR?") == ['-363,"Input buffer overrun"']
