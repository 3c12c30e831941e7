"""The bench file of the demo bench, as a person would have written it after measuring the bench's constants."""

from __future__ import annotations

import re

__all__ = ["demo_bench_toml", "with_addresses", "with_stand_in"]

_TEXT = """\
# Bench file of the simulated bench. The workshop and all figures are our own invention.
# Uncertainties (u_...) are standard uncertainties (k = 1). Pressures are absolute unless the name says vacuum.

[bench]
name = "bench-1"
workshop = "Fernhill Valve Rebuild (fictional)"
address = "Unit 4, Fernhill Yard (fictional)"
simulated = true
barometer_kpa = 101.325     # station pressure, not reduced to sea level; checks the transducer at open vent

[board]                     # relay and converter board
port = {port}
identity = "BRSIM001"       # what the board answers to HELLO

[meter]                     # multimeter, in four-wire connection up to the plug
address = {meter_address}
identity = "FICTION INSTRUMENTS,BENCH METER 6,SIM0001"   # beginning of the answer to *IDN?
wires = 4
lead_ohm = 0.0              # taken off each reading: leads and plug contacts
lead_u_ohm = 0.004
accuracy_percent = 0.02     # the meter's specification on its 100 ohm range: of the reading,
accuracy_ohm = 0.004        # plus this
nplc = 10                   # integration time in periods of the mains
range_ohm = 100.0

[supply]                    # coil supply, measured on the board through a divider
low_v = 12.0                # below, the supply is taken to be off or weak
high_v = 14.8
divider = 6.0               # supply volts per volt at the pin
u_percent = 0.5

[shunt]                     # coil current
volts_per_amp = 2.0         # 0.100 ohm times a gain of 20
u_percent = 0.3
over_current_a = 1.5        # the board switches off above

[transducer]                # absolute pressure in the manifold
offset_v = 0.200            # at 0 Pa
volts_per_pa = 25.0e-6
u_pa = 60.0
scale_u_percent = 0.012     # of volts_per_pa
response_ms = 3.0           # first-order time constant
response_u_ms = 0.3
hysteresis_pa = 10.0        # shown on a falling pressure less on a rising one, by the data sheet

[thermistor]                # ambient temperature
r25_ohm = 10000.0
beta_k = 3950.0
pull_up_ohm = 10000.0
pull_up_v = 3.3
u_k = 0.5

[reservoir]                 # with the manifold and the hose up to the valve
volume_l = 0.500
u_percent = 0.5
hold_vacuum_kpa = 60.0      # drawn before the hold step
pump_limit_s = 25.0         # longer, and the pump or a joint is at fault

[background]                # what the closed bench leaks by itself
leak_sccm = 0.15
u_sccm = 0.05

[heat]                      # how fast the gas takes the walls' temperature after pump-down
time_constant_s = 2.3
u_s = 0.6
chill_k = 14.0              # how much colder than the walls it is after pumping to the hold vacuum
chill_u_k = 4.0
inflow_w_k = 1.6            # what 1 g/s of inflow adds to the walls' heat conductance
inflow_u_w_k = 0.3
inflow_power = 0.8          # it grows with this power of the inflow
inflow_power_u = 0.2

[check]                     # benchrig bench check, two minutes a day
needed = false              # a run needs none on a simulated bench; leave this line out on a real one
valid_h = 24.0
pump_s = 8.0                # what the sound pump takes to the hold vacuum on a blind port
deep_kpa = 12.0             # what it reaches there, absolute
deep_room_kpa = 1.5
leak_most_sccm = 1.0        # the closed bench may leak no more

[calibration]               # benchrig bench calibrate; calibrated constants take the place of those above
needed = []                 # which ones a run needs: none on a simulated bench; leave this line out on a real one
valid_days = 365.0
background_days = 90.0      # hoses age faster

[reference_resistor]        # in the coil's place; bears the supply for some seconds
ohm = 25.0
u_ohm = 0.005
certificate = "FV-R-0131"
dated = 2026-03-02

[reference_leak]            # built in, behind K6: choked flow from air at from_kpa and at_c
sccm = 10.0
u_sccm = 0.06
from_kpa = 101.325
at_c = 20.0
certificate = "FV-L-0077"
dated = 2026-03-02

[known_volume]              # a vessel with a tap, for the port
volume_l = 0.250
u_percent = 0.1
certificate = "FV-V-0019"
dated = 2026-03-02

[barometer]                 # beside the bench, read by the operator
u_pa = 10.0
certificate = "FV-B-0008"
dated = 2026-03-02

[vacuum_gauge]              # absolute pressure gauge for the port, read by the operator
u_pa = 20.0
certificate = "FV-G-0012"
dated = 2026-03-02

[voltmeter]                 # across the reference resistor, read by the operator
u_percent = 0.02
certificate = "FV-M-0023"
dated = 2026-03-02
"""


def demo_bench_toml(port: str = "memory", meter_address: str = "memory") -> str:
    """Return the text of the demo bench's file.

    Parameters
    ----------
    port : str
        Of the board: "memory" or the path of a serial port.
    meter_address : str
        Of the multimeter: "memory" or a VISA address.

    Returns
    -------
    str
        TOML.

    Examples
    --------
    >>> import tomllib
    >>> tomllib.loads(demo_bench_toml("/tmp/board", "TCPIP::127.0.0.1::5025::SOCKET"))["board"]["port"]
    '/tmp/board'
    """
    return _TEXT.format(
        port=_quoted(port),
        meter_address=_quoted(meter_address),
    )


def with_addresses(text: str, port: str, meter_address: str) -> str:
    """Write other addresses of board and meter into the text of a bench file, and leave the rest as it is.

    Raises
    ------
    ValueError
        The text has no line for one of them.

    Examples
    --------
    >>> with_addresses(demo_bench_toml("a", "b"), "memory", "memory") == demo_bench_toml()
    True
    """
    for table, key, value in (("board", "port", port), ("meter", "address", meter_address)):
        line = re.compile(
            rf"(^\[{table}\](?:(?!^\[).)*?^{key}\s*=\s*)(\"[^\"\n]*\"|'[^'\n]*')", re.MULTILINE | re.DOTALL
        )
        found = line.search(text)
        if found is None:
            raise ValueError(f'The bench file has no line {key} = "..." in its table [{table}].')
        text = text[: found.start(2)] + _quoted(value) + text[found.end(2) :]
    return text


def with_stand_in(text: str, address: str) -> str:
    """Write into a bench file who connects references in place of a person.

    Examples
    --------
    >>> with_stand_in("[bench]", "127.0.0.1:5000").splitlines()[1]
    'stand_in = "127.0.0.1:5000"   # connects references in place of a person'
    """
    line = f"[bench]\nstand_in = {_quoted(address)}   # connects references in place of a person"
    return text.replace("[bench]", line, 1)


def _quoted(text: str) -> str:
    """Write a TOML basic string."""
    escaped = "".join(f"\\u{ord(c):04x}" if c in '"\\' or ord(c) < 0x20 or ord(c) == 0x7F else c for c in text)
    return f'"{escaped}"'
