"""Instruments that send whole messages, by any VISA library: here PyVISA-sim's, on USB and GPIB addresses."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.clock import RealClock
from benchrig.drivers.multimeter import Multimeter
from benchrig.drivers.visa_link import open_visa
from benchrig.errors import ConfigError, LinkError, LinkTimeout
from tests.helpers import absent

METER = r"""
spec: "1.0"
devices:
  meter:
    eom:
      GPIB INSTR: {q: "\\n", r: "\\n"}
      USB INSTR: {q: "\\n", r: "\\n"}
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    dialogues:
      - {q: "*CLS"}
      - {q: "*RST"}
      - {q: "*IDN?", r: "FICTION INSTRUMENTS,BENCH METER 6,SIM0001,1.0"}
      - {q: "CONF:FRES"}
      - {q: "SENS:FRES:RANG 100"}
      - {q: "SENS:FRES:NPLC 10"}
      - {q: "TRIG:SOUR IMM"}
      - {q: "SAMP:COUN 1"}
      - {q: "SYST:ERR?", r: '+0,"No error"'}
      - {q: "SENS:FUNC?", r: '"FRES"'}
      - {q: "SENS:FRES:RANG?", r: "+1.00000000E+02"}
      - {q: "INIT;*OPC"}
      - {q: "*ESR?", r: "1"}
      - {q: "FETC?", r: "+2.45000000E+01"}
      - {q: "GARBAGE?", r: "a\\nb"}
resources:
  GPIB0::9::INSTR: {device: meter}
  USB0::0x1111::0x2222::SIM0001::INSTR: {device: meter}
  TCPIP0::192.0.2.7::inst0::INSTR: {device: meter}
"""
ADDRESSES = ["GPIB0::9::INSTR", "USB0::0x1111::0x2222::SIM0001::INSTR", "TCPIP0::192.0.2.7::inst0::INSTR"]


@pytest.fixture
def backend(tmp_path: Path) -> str:
    try:
        import pyvisa_sim  # noqa: F401
    except ImportError:
        absent("PyVISA-sim is not installed")
    described = tmp_path / "meter.yaml"
    described.write_text(METER, encoding="utf-8")
    return f"{described}@sim"


@pytest.mark.slow
@pytest.mark.parametrize("address", ADDRESSES)
def test_a_meter_on_usb_gpib_or_lan_measures_a_resistance(address: str, backend: str) -> None:
    clock = RealClock()
    meter = Multimeter(open_visa(address, clock, backend), clock)
    assert meter.identify().startswith("FICTION INSTRUMENTS")
    meter.set_up_resistance(4, 100.0, 10)
    meter.start()
    assert meter.ready()
    assert meter.fetch() == 24.5
    meter.recover()
    meter.close()


@pytest.mark.slow
def test_an_answer_that_does_not_come_is_a_timeout_and_never_a_number(backend: str) -> None:
    clock = RealClock()
    link = open_visa(ADDRESSES[0], clock, backend)
    assert link.read(clock.now() + 0.25) is None
    link.reopen()
    link.write("*IDN?")
    assert (link.read(clock.now() + 1.0) or "").startswith("FICTION")


@pytest.mark.slow
def test_an_instrument_that_is_not_there_is_a_link_error_in_plain_words(backend: str) -> None:
    clock = RealClock()
    with pytest.raises((LinkError, LinkTimeout)) as caught:
        Multimeter(open_visa("GPIB0::10::INSTR", clock, backend), clock).identify()
    assert "10737" not in str(caught.value)


@pytest.mark.parametrize(("address", "names"), [("GPIB0::9::INSTR", "gpib"), ("USB0::0x1::0x2::x::INSTR", "USB")])
def test_a_connection_that_needs_another_package_says_which(address: str, names: str) -> None:
    try:
        open_visa(address, RealClock()).close()
    except ConfigError as error:
        assert names.casefold() in str(error).casefold()  # noqa: PT017  # with the package installed, nothing is there
    except LinkError as error:
        assert address in str(error)  # noqa: PT017
    else:
        pytest.fail("there is no such instrument on this computer")


def test_a_library_that_is_not_there_is_a_configuration_error() -> None:
    with pytest.raises(ConfigError, match="no such VISA library"):
        open_visa("GPIB0::9::INSTR", RealClock(), "/nowhere/libvisa.so@ivi")
