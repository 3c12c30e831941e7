"""The meter's driver against the simulated meter, and against a scripted one for what the simulated one never says."""

import math

import pytest

from benchrig.drivers.links import LONGEST_BLOCK_S
from benchrig.drivers.multimeter import ANSWER_S, Multimeter
from benchrig.errors import DeviceError, LinkError, LinkTimeout
from simulators.instruments.meter import IDENTITY, MeterMode
from simulators.links.in_process import MemoryTextLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.drivers.fakes import ScriptedTextLink, SteadyWorld, Ticks


class Rig:
    def __init__(self):
        self.world = SteadyWorld()
        self.simulated_bench = SimulatedBench(self.world, seed=5)
        self.clock = SimClock(self.simulated_bench)
        self.meter = Multimeter(MemoryTextLink(self.simulated_bench), self.clock)

    def measure(self):
        self.meter.start()
        return self.finish()

    def finish(self):
        for _ in range(100):
            if self.meter.ready():
                return self.meter.fetch()
            self.clock.sleep_until(self.clock.now() + 0.05)
        raise AssertionError("no reading within 5 s")


@pytest.fixture
def rig():
    rig = Rig()
    assert rig.meter.identify() == IDENTITY
    rig.meter.set_up_resistance(4, 100.0, 10)
    return rig


SCRIPT = {
    "*IDN?": IDENTITY,
    "SYST:ERR?": '+0,"No error"',
    "SENS:FUNC?": '"FRES"',
    "SENS:FRES:RANG?": "+1.00000000E+02",
    "*ESR?": "1",
    "FETC?": "+2.45000000E+01",
}


def scripted(**answers):
    clock = Ticks()
    link = ScriptedTextLink(clock, SCRIPT | {key.replace("_", "?"): value for key, value in answers.items()})
    link.answers.update({"*" + key: link.answers.pop(key) for key in ("IDN?", "ESR?") if key in link.answers})
    if "ERR?" in link.answers:
        link.answers["SYST:ERR?"] = link.answers.pop("ERR?")
    return Multimeter(link, clock), link, clock


def started(meter):
    meter.identify()
    meter.set_up_resistance(4, 100.0, 10)
    meter.start()
    return meter


# ---- measuring


def test_a_coil_measures_as_it_is_with_four_wires_and_with_its_leads_with_two(rig):
    assert rig.measure() == pytest.approx(24.5, abs=0.02)
    rig.meter.set_up_resistance(2, 100.0, 10)
    assert rig.measure() == pytest.approx(24.8, abs=0.02)


def test_an_open_coil_is_infinite_and_not_an_error(rig):
    rig.world.ohm = math.inf
    assert rig.measure() == math.inf


def test_a_value_beyond_the_range_is_infinite(rig):
    rig.world.ohm = 500.0
    assert rig.measure() == math.inf


def test_a_meter_that_stays_on_another_range_is_refused_when_it_is_set_up(rig):
    rig.simulated_bench.meter.hold_range(10.0)
    with pytest.raises(DeviceError, match=r"set to the range of 100 ohm, but it has that of 10 ohm") as caught:
        rig.meter.set_up_resistance(4, 100.0, 10)
    assert "range" in caught.value.hint


def test_an_overload_on_another_range_is_no_open_coil(rig):
    rig.meter.start()
    rig.simulated_bench.meter.hold_range(10.0)
    rig.world.ohm = math.inf
    with pytest.raises(DeviceError, match=r"set to the range of 100 ohm, but it has that of 10 ohm"):
        rig.finish()


@pytest.mark.parametrize("wires", [2, 4])
@pytest.mark.parametrize("range_ohm", [50.0, 99.5, 100.5, 999.0])
def test_the_next_larger_range_that_the_meter_has_will_do(rig, wires, range_ohm):
    rig.meter.set_up_resistance(wires, range_ohm, 1)
    assert rig.measure() == pytest.approx(24.5 if wires == 4 else 24.8, abs=0.05)


def test_a_reading_takes_its_time_and_is_not_ready_before(rig):
    rig.meter.start()
    assert not rig.meter.ready()
    assert rig.finish() == pytest.approx(24.5, abs=0.02)
    assert rig.meter.ready()


def test_a_new_start_forgets_the_reading_before(rig):
    rig.measure()
    rig.world.ohm = 30.0
    rig.meter.start()
    assert not rig.meter.ready()
    assert rig.finish() == pytest.approx(30.0, abs=0.02)


def test_a_setting_that_the_meter_refuses_is_named_with_its_error(rig):
    with pytest.raises(DeviceError, match=r"reports an error set to FRES, 1e\+12 ohm.*-222") as caught:
        rig.meter.set_up_resistance(4, 1e12, 10)
    assert "range_ohm" in caught.value.hint


def test_a_voltage_on_the_terminals_is_an_error_and_never_a_resistance(rig):
    rig.world.terminal_v = 13.5
    with pytest.raises(DeviceError, match=r"while measuring.*-300.*voltage on the terminals"):
        rig.measure()


@pytest.mark.parametrize("wrong", [(3, 100.0, 10), (4, 0.0, 10), (4, math.inf, 10), (4, 100.0, -1)])
def test_settings_that_cannot_be_meant_are_a_bug_of_the_caller(rig, wrong):
    with pytest.raises(ValueError, match="cannot measure"):
        rig.meter.set_up_resistance(*wrong)


# ---- faults of the simulated meter


def test_a_silent_meter_times_out_with_a_hint(rig):
    rig.simulated_bench.meter_mode = MeterMode.SILENT
    before = rig.clock.now()
    with pytest.raises(LinkTimeout, match=r"no answer to '\*ESR\?' within 2 s") as caught:
        rig.measure()
    assert "Is the meter on" in caught.value.hint
    assert rig.clock.now() - before == pytest.approx(ANSWER_S, abs=0.01)


@pytest.mark.parametrize("after_s", [0.0, 0.2, 0.45])
def test_a_late_answer_is_never_taken_for_the_answer_to_a_later_question(rig, after_s):
    rig.meter.start()
    rig.clock.sleep_until(rig.clock.now() + after_s)
    rig.simulated_bench.meter_mode = MeterMode.LATE
    with pytest.raises(LinkTimeout):
        rig.finish()
    with pytest.raises(LinkError, match="out of step"):
        rig.meter.ready()
    rig.world.ohm = 27.0  # whatever comes from before the recovery would show
    rig.meter.recover()
    assert rig.measure() == pytest.approx(27.0, abs=0.02)


def test_damaged_answers_are_a_link_error_that_shows_them_within_reason(rig):
    rig.simulated_bench.meter_mode = MeterMode.GARBAGE
    with pytest.raises(LinkError, match="where a whole number from 0 to 255 was expected") as caught:
        rig.measure()
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 250


def test_a_meter_that_is_pulled_out_is_a_link_error(rig):
    rig.meter.start()
    rig.simulated_bench.meter_mode = MeterMode.UNPLUGGED
    with pytest.raises(LinkError, match="the link failed") as caught:
        rig.finish()
    assert isinstance(caught.value.__cause__, OSError)
    with pytest.raises(LinkError, match="reopening"):
        rig.meter.recover()


def test_recovery_sets_the_meter_up_as_before(rig):
    rig.meter.set_up_resistance(2, 1000.0, 1)
    rig.simulated_bench.meter.handle("*RST", rig.clock.now())
    rig.meter.recover()
    rig.world.ohm = 700.0
    assert rig.measure() == pytest.approx(700.3, abs=0.2)


def test_recovery_notices_another_instrument_and_stays_shut(rig):
    rig.simulated_bench.meter_mode = MeterMode.OTHER
    with pytest.raises(DeviceError, match=r"FREQUENCY COUNTER 2.*but before it was.*BENCH METER 6"):
        rig.meter.recover()
    with pytest.raises(LinkError, match="another instrument answered"):
        rig.meter.start()
    rig.simulated_bench.meter_mode = MeterMode.NORMAL
    rig.meter.recover()
    assert rig.measure() == pytest.approx(24.5, abs=0.02)


def test_the_bench_breathes_while_an_answer_is_awaited(rig):
    breaths = []
    rig.meter.meanwhile = lambda: breaths.append(rig.clock.now())
    rig.simulated_bench.meter_mode = MeterMode.SILENT
    begun = rig.clock.now()
    with pytest.raises(LinkTimeout):
        rig.measure()
    gaps = [b - a for a, b in zip([begun, *breaths], [*breaths, rig.clock.now()], strict=True)]
    assert len(breaths) >= ANSWER_S / LONGEST_BLOCK_S
    assert max(gaps) <= LONGEST_BLOCK_S


@pytest.mark.parametrize("interruption", [KeyboardInterrupt, LinkTimeout])
def test_a_wait_that_is_broken_off_leaves_the_session_shut_until_recovered(rig, interruption):
    def break_off():
        raise interruption("broken off")

    rig.meter.start()
    rig.meter.meanwhile = break_off
    rig.simulated_bench.meter_mode = MeterMode.LATE
    with pytest.raises(interruption, match="broken off"):
        rig.meter.ready()
    rig.meter.meanwhile = None
    with pytest.raises(LinkError, match="out of step"):
        rig.meter.ready()
    rig.meter.recover()
    assert rig.measure() == pytest.approx(24.5, abs=0.02)


# ---- what only a script says


@pytest.mark.parametrize(
    ("text", "ohm"),
    [("+2.45E+01", 24.5), ("24.5", 24.5), ("245", 245.0), (".5", 0.5), (" 24.5 \t", 24.5), ("-0.002", -0.002),
     ("9.9E37", math.inf), ("+9.90000000E+37", math.inf), ("-9.9E+37", math.inf), ("1E38", math.inf)],
)  # fmt: skip
def test_numbers_are_read_in_every_form_that_the_standard_allows(text, ohm):
    meter, _, _ = scripted(FETC_=text)
    assert started(meter).ready()
    assert meter.fetch() == ohm


@pytest.mark.parametrize("text", ["9.91E37", "+9.91000000E+37"])
def test_not_a_number_is_a_device_error(text):
    meter, _, _ = scripted(FETC_=text)
    assert started(meter).ready()
    with pytest.raises(DeviceError, match="not a number"):
        meter.fetch()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nan",
        "inf",
        "24,5",
        "24.5,24.6",
        "24.5 OHM",
        "0x18",
        "1_000",
        "2.45E",
        "E+01",
        "+-1",
        "\u0661\u0662",
        "x" * 4000,
    ],
)
def test_what_is_not_one_number_is_a_link_error_and_the_session_is_shut(text):
    meter, _, _ = scripted(FETC_=text)
    assert started(meter).ready()
    with pytest.raises(LinkError, match="where one number was expected") as caught:
        meter.fetch()
    assert len(str(caught.value)) < 250
    with pytest.raises(LinkError, match="out of step"):
        meter.fetch()


@pytest.mark.parametrize("text", ["256", "-1", "1.0", "one", "1;1"])
def test_an_event_register_outside_its_range_is_a_link_error(text):
    meter, _, _ = scripted(ESR_=text)
    started(meter)
    with pytest.raises(LinkError, match="0 to 255"):
        meter.ready()


@pytest.mark.parametrize("said", ['"FRES"', "FRES", '"FRESISTANCE"', '"SENS:FRES"', "fres"])
@pytest.mark.parametrize("ohm", ["100", "+1.20000000E+02", "99.9", "1E3"])
def test_function_and_range_are_read_back_in_every_form(said, ohm):
    meter, link, _ = scripted()
    link.answers |= {"SENS:FUNC?": said, "SENS:FRES:RANG?": ohm}
    assert started(meter).ready()


@pytest.mark.parametrize("ohm", ["10", "98.9", "0", "-100", "1011", "9.9E37"])
def test_a_range_that_cannot_be_the_wanted_one_is_a_device_error(ohm):
    meter, link, _ = scripted()
    link.answers |= {"SENS:FRES:RANG?": ohm}
    with pytest.raises(DeviceError, match="range of 100 ohm"):
        started(meter)


@pytest.mark.parametrize("said", ['"RES"', '"VOLT:DC"', '"CURR"'])
def test_another_function_than_the_wanted_one_is_a_device_error(said):
    meter, link, _ = scripted()
    link.answers |= {"SENS:FUNC?": said}
    with pytest.raises(DeviceError, match="set to FRES, but it measures"):
        started(meter)


@pytest.mark.parametrize("question", ["SENS:FUNC?", "SENS:FRES:RANG?"])
@pytest.mark.parametrize("said", ["", "100 ohm", '"', "1,2"])
def test_what_is_neither_function_nor_range_is_a_link_error(question, said):
    meter, link, _ = scripted()
    link.answers |= {question: said}
    with pytest.raises(LinkError, match="was expected"):
        started(meter)


def test_errors_in_the_queue_are_all_told():
    meter, _, _ = scripted(ERR_=['-113,"Undefined header"', '-222,"Data out of range"', '0,"No error"'])
    meter.identify()
    with pytest.raises(DeviceError, match=r"-113 'Undefined header', -222 'Data out of range'"):
        meter.set_up_resistance(4, 100.0, 10)


def test_a_meter_that_reports_errors_without_end_is_not_asked_for_ever():
    meter, link, _ = scripted(ERR_='-350,"Queue overflow"')
    meter.identify()
    with pytest.raises(DeviceError, match="-350"):
        meter.set_up_resistance(4, 100.0, 10)
    assert link.sent.count("SYST:ERR?") == 10


def test_an_error_bit_with_an_empty_queue_is_still_an_error():
    meter, _, _ = scripted(ESR_="16")
    started(meter)
    with pytest.raises(DeviceError, match="event register 16"):
        meter.ready()


def test_an_answer_that_nobody_asked_for_shuts_the_session():
    meter, link, _ = scripted()
    started(meter)
    link._arriving.append("+1.00000000E+01")
    with pytest.raises(LinkError, match="before it was asked"):
        meter.ready()
    with pytest.raises(LinkError, match="out of step"):
        meter.ready()


def test_recovery_passes_over_answers_that_a_serial_line_kept():
    meter, link, _ = scripted()
    started(meter)
    link.answers["*ESR?"] = None
    with pytest.raises(LinkTimeout):
        meter.ready()
    link.answers |= {"*ESR?": "1", "*RST": ["+9.87650000E+00"]}  # the old reading, after the reopening
    meter.recover()
    meter.start()
    assert meter.ready()
    assert meter.fetch() == 24.5


@pytest.mark.parametrize("text", ["+1.0E+01", "hello", "MAKER,MODEL,1"])
def test_what_gives_no_identity_is_no_instrument(text):
    meter, _, _ = scripted(IDN_=text)
    with pytest.raises(LinkError, match="four fields"):
        meter.identify()


@pytest.mark.parametrize("error", [OSError(5, "gone"), BrokenPipeError(32, "pipe"), ConnectionResetError(104, "reset")])
def test_whatever_the_link_raises_becomes_a_link_error_with_its_cause(error):
    meter, _, _ = scripted(ESR_=error)
    started(meter)
    with pytest.raises(LinkError, match=r"the link failed while waiting for the answer to '\*ESR\?'") as caught:
        meter.ready()
    assert caught.value.__cause__ is error
