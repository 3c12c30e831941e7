"""BOARD.md against the port's numbers, the drawings, and the demo bench file."""

import re
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from firmware_protocol import messages
from firmware_protocol.rp2040 import pins
from firmware_protocol.rp2040.port import CYCLES_PER_US, SYSTEM_HZ
from simulators.bench_file import with_tank
from simulators.world import BenchParameters

REPOSITORY = Path(__file__).parents[2]
FOLDER = REPOSITORY / "firmware_protocol"
PAGE = (FOLDER / "BOARD.md").read_text(encoding="utf-8")
PROSE = " ".join(PAGE.split())  # wherever its lines break
DEMO = (REPOSITORY / "fixtures/demo/bench.toml").read_text(encoding="utf-8")
BENCH = tomllib.loads((REPOSITORY / "fixtures/demo/bench.toml").read_text(encoding="utf-8"))
MODELS = [tomllib.loads(path.read_text(encoding="utf-8")) for path in (REPOSITORY / "fixtures/demo/models").glob("*")]


def part(mark):
    """Rating of a part in the bill of materials."""
    (row,) = re.findall(rf"^\| {re.escape(mark)} \| [^|]+ \| ([^|]+) \|", PAGE, re.MULTILINE)
    return row


def number(pattern, text):
    found = re.search(pattern, text)
    assert found, f"{pattern} is not in {text}"
    return float(found.group(1))


def drawing(name):
    tree = ElementTree.parse(FOLDER / "drawings" / name)
    return "\n".join("".join(text.itertext()) for text in tree.iter("{http://www.w3.org/2000/svg}text"))


def test_the_pin_table_is_that_of_the_port():
    rows = re.findall(r"^\| GP(\d+) \| (\w+) \| (\w+) \|", PAGE, re.MULTILINE)
    wanted = [
        (str(pin), "output", name(("COIL", "METER", "PUMP", "ISOLATION", "VENT", "REFERENCE"), bit))
        for bit, pin in pins.OUTPUTS
    ]
    wanted += [(str(pin), "input", name(("ESTOP_OK", "GUARD_CLOSED"), bit)) for bit, pin in pins.INPUTS]
    wanted.append((str(pins.SERVICE), "input", "SERVICE"))
    wanted += [
        (str(pin), "analog", name(("COIL_CURRENT", "PRESSURE", "SUPPLY", "AMBIENT"), index))
        for index, pin in enumerate(pins.ANALOG)
    ]
    assert rows == wanted


def name(names, value):
    (found,) = [each for each in names if getattr(messages, each) == value]
    return found


def test_every_pin_is_in_the_wiring_drawing_and_no_other():
    wired = [pin for _, pin in (*pins.OUTPUTS, *pins.INPUTS)] + [*pins.ANALOG, pins.SERVICE]
    assert {int(pin) for pin in re.findall(r"GP(\d+)", drawing("wiring.svg"))} == set(wired)
    names = ("K1 coil supply", "K2 meter route", "K3 pump", "K4 isolation valve", "K5 vent", "K6 reference leak")
    assert all(label in drawing("wiring.svg") for label in names)


@pytest.mark.parametrize("picture", ["wiring.svg", "plumbing.svg", "tank.svg"])
def test_the_drawings_are_linked_and_need_no_colour(picture):
    assert f"](drawings/{picture})" in PAGE
    source = (FOLDER / "drawings" / picture).read_text(encoding="utf-8")
    assert set(re.findall(r"#[0-9a-f]{3,6}\b", source)) == {"#111", "#fff"}


def test_fuse_trip_and_parts_stand_in_the_right_order():
    trip_a = BENCH["shunt"]["over_current_a"]
    coil_fuse_a = number(r"([\d.]+) A fast", part("F2"))
    main_fuse_a = number(r"([\d.]+) A", part("F1"))
    assert 16.0 / 14.0 < trip_a < coil_fuse_a < main_fuse_a
    carriers = [number(r"([\d.]+) A", part(mark)) for mark in ("K1", "K2", "D1")]
    assert coil_fuse_a < min(carriers)
    assert number(r"([\d.]+) A", part("S1")) > main_fuse_a
    assert number(r"([\d.]+) A", part("S2")) > main_fuse_a
    highest_v = max(BENCH["supply"]["high_v"], 16.0)
    assert highest_v < number(r"stands off ([\d.]+) V", part("D2"))
    assert number(r"33 to ([\d.]+) V", part("D2")) < number(r"A, ([\d.]+) V", part("D1"))
    assert f"{coil_fuse_a:g} A" in drawing("wiring.svg")
    assert f"{main_fuse_a:g} A" in drawing("wiring.svg")


def test_shunt_amplifier_and_divider_are_those_of_the_bench_file():
    shunt_ohm = number(r"([\d.]+) ohm", part("R1"))
    gain = number(r"amplifier for R1 \| gain (\d+)", PAGE)
    assert shunt_ohm * gain == pytest.approx(BENCH["shunt"]["volts_per_amp"])
    full_scale_v = pins.CHANNELS[0][2] / 1000
    assert BENCH["shunt"]["over_current_a"] * BENCH["shunt"]["volts_per_amp"] < full_scale_v
    assert number(r"2\.0 V per ampere: ([\d.]+) A full scale", PAGE) == pytest.approx(full_scale_v / shunt_ohm / gain)
    upper, lower = map(float, re.search(r"supply divider \| (\d+) kohm and (\d+) kohm", PAGE).groups())
    assert (upper + lower) / lower == BENCH["supply"]["divider"]
    assert BENCH["supply"]["high_v"] / BENCH["supply"]["divider"] < full_scale_v
    assert number(r"(\d+) kohm at 25 degC", PAGE) * 1000 == BENCH["thermistor"]["r25_ohm"]
    assert number(r"B (\d+) K", PAGE) == BENCH["thermistor"]["beta_k"]
    assert number(r"reservoir \| ([\d.]+) L", PAGE) == BENCH["reservoir"]["volume_l"]
    assert max(model["coil_limit_s"] for model in MODELS if "coil_limit_s" in model) * 1000 <= messages.COIL_MAX_MS


def test_the_arithmetic_of_the_page():
    amps = 16.0 / 14.0
    assert f"16 / 14 = {amps:.2f} A, {16 * amps:.1f} W" in PROSE
    assert f"{0.3 * amps**2 / 2:.2f} J" in PROSE
    assert f"1.5^2 x 0.100 = {1.5**2 * 0.1 + 1e-9:.2f} W" in PROSE
    assert f"{1.14 + 2.0 + 0.1 + 3 * 0.4:.1f} A, below F1" in PROSE
    area = 3.141592653589793 * 0.04**2
    assert f"= {101_325 * area:.0f} N, the weight of {101_325 * area / 9.80665:.0f} kg" in PROSE
    assert f"{101_325 * 0.1 * 0.15:.0f} N, {101_325 * 0.1 * 0.15 / 9.80665:.0f} kg" in PROSE
    # Wide codes of the converter, at odd eighths of 3.3 V, as pressures.
    at_kpa = [(3.3 * k / 8 - 0.2) / 22e-6 / 1000 for k in (1, 3, 5, 7)]
    assert "they lie at {:.1f}, {:.1f}, {:.1f} and {:.0f} kPa".format(*at_kpa) in PROSE
    assert f"at {(3.3 * 3 / 8 - 0.2) / 25e-6 / 1000:.1f} kPa" in PROSE


def test_the_tank_of_the_page_is_that_of_the_drawing_and_of_the_simulated_bench():
    tank, bench = tomllib.loads(with_tank(DEMO))["tank"], BenchParameters()
    assert number(r"([\d.]+) L, metal", part("TK")) == tank["volume_l"]
    assert f"tank {tank['volume_l']:g} L" in drawing("tank.svg")
    on_kpa, off_kpa = bench.tank_on_pa / 1000, bench.tank_off_pa / 1000
    assert f"on above {on_kpa:g} kPa, off below {off_kpa:g} kPa" in part("PS")
    assert f"on: {on_kpa:g} kPa,\noff: {off_kpa:g} kPa" in drawing("tank.svg")
    switch_a, fuse_a = number(r"contact ([\d.]+) A", part("PS")), number(r"([\d.]+) A", part("F3"))
    assert number(r"12 V, ([\d.]+) A at most", PAGE) < fuse_a < switch_a
    assert f"F3 {fuse_a:g} A" in drawing("tank.svg")
    lid_n = 101_325 * 3.141592653589793 * 0.06**2
    assert f"= {lid_n:.0f} N, the weight of {lid_n / 9.80665:.0f} kg" in PROSE


def test_the_flashing_steps_copy_every_file_of_the_board():
    for folder, pattern in (
        (FOLDER, r"for f in ([\w ]+); do mpremote cp firmware_protocol/\$f"),
        (FOLDER / "rp2040", r"for f in ([\w ]+); do mpremote cp firmware_protocol/rp2040/\$f"),
    ):
        (listed,) = re.findall(pattern, PAGE)
        assert set(listed.split()) == {path.stem for path in folder.glob("*.py")} - {"typed"}


def test_the_page_states_the_port_s_numbers():
    assert f"{pins.CAPTURE_WORDS:,} words".replace(",", " ") in PROSE
    assert pins.WATCHDOG_MS == 1000
    assert "(1 s)" in PROSE
    assert SYSTEM_HZ == CYCLES_PER_US * 1_000_000


def test_the_lines_for_the_first_trip_compile_and_name_what_exists():
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    imports = "\n".join(line for line in code.splitlines() if line.startswith("from "))
    exec(compile(imports, "BOARD.md", "exec"), {})
    compile(code, "BOARD.md", "exec")
