"""The bench file: every mistake at once, each with what to do."""

from pathlib import Path

import pytest

from benchrig.application.paths import demo_folder
from benchrig.bench.file import load_bench_file, parse_bench_file
from benchrig.errors import ConfigError

LEAST = """
[bench]
name = "b"
[board]
port = "/dev/ttyACM0"
[meter]
address = "TCPIP::192.0.2.7::5025::SOCKET"
[reservoir]
volume_l = 0.5
[supply]
divider = 6.0
[shunt]
volts_per_amp = 2.0
[transducer]
offset_v = 0.2
"""


def test_the_least_file_is_enough_and_the_rest_has_defaults():
    file = parse_bench_file(LEAST, where="here").file
    assert file.reservoir.volume_l == 0.5
    assert file.sequence.clicks == 10
    assert file.meter.wires == 4


def test_a_look_in_fresh_air_beside_a_vacuum_tank_is_refused_with_what_to_do():
    tank = "[tank]\nvolume_l = 2.0\nlet_down_s = 1.0\n"
    fresh = "[sequence]\nfresh_air = true\n"
    with pytest.raises(ConfigError, match=r"fresh_air = true beside \[tank\]") as refused:
        parse_bench_file(LEAST + fresh + tank, where="bench.toml")
    assert "bench.toml" in str(refused.value)
    for alone in (fresh, tank):
        parse_bench_file(LEAST + alone, where="bench.toml")


def test_the_demonstrations_bench_file_is_valid_and_says_that_it_is_simulated():
    loaded = load_bench_file(demo_folder() / "bench.toml")
    assert loaded.file.bench.simulated
    assert len(loaded.sha256) == 64


def test_all_mistakes_are_told_at_once_with_their_names_and_values():
    text = (
        LEAST.replace("volume_l = 0.5", "volume_l = -1\nvolumne_l = 2")
        .replace("divider = 6.0", "low_v = 15\nhigh_v = 12")
        .replace("volts_per_amp = 2.0", "u_percent = 'x'")
    )
    text = text.replace('name = "b"', "")
    with pytest.raises(ConfigError) as caught:
        parse_bench_file(text, where="bench.toml")
    said = str(caught.value)
    assert "bench.toml: 5 mistakes" in said
    for name in (
        "[bench] name: missing",
        "[reservoir] volume_l",
        "(is -1)",
        "[reservoir] volumne_l: not a name",
        "[supply]",
        "low_v (15) must be below high_v (12)",
        "[shunt] u_percent",
    ):
        assert name in said
    assert caught.value.exit_status == 2
    assert "--example" in caught.value.hint


def test_toml_that_does_not_parse_names_the_line():
    with pytest.raises(ConfigError, match="line 2"):
        parse_bench_file("[bench]\nname = b", where="x")


@pytest.mark.parametrize("value", ["nan", "inf", "-0.5", "0"])
def test_a_volume_that_is_no_volume_is_refused(value):
    with pytest.raises(ConfigError, match="volume_l"):
        parse_bench_file(LEAST.replace("0.5", value), where="x")


def test_a_missing_file_and_a_folder_and_a_binary_are_refused_by_name(tmp_path: Path):
    for path, said in ((tmp_path / "none.toml", "No such file"), (tmp_path, "Is a directory")):
        with pytest.raises(ConfigError, match=said):
            load_bench_file(path)
    binary = tmp_path / "b.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="byte 0 is not UTF-8"):
        load_bench_file(binary)


@pytest.mark.parametrize("table", ["supply", "shunt", "transducer"])
def test_a_real_bench_says_its_own_constants_and_only_a_simulated_one_may_leave_them_out(table: str):
    lines = LEAST.splitlines()
    at = lines.index(f"[{table}]")
    text = "\n".join(lines[:at] + lines[at + 2 :])
    with pytest.raises(ConfigError, match=rf"\[{table}\] missing"):
        parse_bench_file(text, where="x")
    parse_bench_file(text.replace('name = "b"', 'name = "b"\nsimulated = true'), where="x")


@pytest.mark.parametrize("given", ["true", '"0.5"', "nan", "inf", "1e300", "[0.5]", "{a = 1}", "2026-01-01"])
@pytest.mark.parametrize(
    "line",
    [
        "volume_l = 0.5",
        "divider = 6.0",
        "volts_per_amp = 2.0",
        "offset_v = 0.2",
    ],
)
def test_what_is_no_number_or_out_of_all_range_is_refused_with_its_name(line: str, given: str):
    name = line.partition(" ")[0]
    with pytest.raises(ConfigError, match=name) as caught:
        parse_bench_file(LEAST.replace(line, f"{name} = {given}"), where="x")
    assert "instance of" not in str(caught.value)


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("volts_per_amp = 2.0", "volts_per_amp = 2.0\nover_current_a = 1e9"),
        ("divider = 6.0", "divider = 6.0\nu_percent = 101"),
        ("divider = 6.0", "divider = 6.0\nhigh_v = 1000"),
        ('name = "b"', 'name = "b"\nsimulated = "true"'),
        ('name = "b"', 'name = "b"\nsimulated = 1'),
        ('name = "b"', "name = 3"),
    ],
)
def test_a_value_out_of_range_or_of_another_kind_is_refused(line: str, wrong: str):
    with pytest.raises(ConfigError):
        parse_bench_file(LEAST.replace(line, wrong), where="x")


def test_a_table_that_is_a_number_is_told_in_our_words():
    with pytest.raises(ConfigError, match=r"\[bench\]: should be a \[table\] with keys \(is 3\)"):
        parse_bench_file("bench = 3\n" + LEAST.replace('[bench]\nname = "b"\n', ""), where="x")


@pytest.mark.parametrize("text", ["a = " + "[" * 400 + "]" * 400, "a" + ".a" * 400 + " = 1", "[" + "x." * 600 + "x]\n"])
def test_deep_nesting_is_refused_in_words(text: str):
    with pytest.raises(ConfigError, match="nested more than 8 deep"):
        parse_bench_file(LEAST + text, where="x")


def test_very_deep_nesting_and_very_long_numbers_are_refused_too():
    for text in ("a = " + "[" * 100_000, "a = " + "{a=" * 50_000, "a = " + "9" * 10_000):
        with pytest.raises(ConfigError):
            parse_bench_file(text, where="x")


def test_a_file_of_megabytes_is_refused_before_it_is_read_whole(tmp_path: Path):
    path = tmp_path / "bench.toml"
    path.write_text("# " + "x" * 10_000_000)
    with pytest.raises(ConfigError, match="larger than 1000 kB"):
        load_bench_file(path)
    with pytest.raises(ConfigError, match="larger than 1000 kB"):
        load_bench_file(Path("/dev/zero"))


def test_of_many_mistakes_the_first_twenty_are_told_and_the_rest_counted():
    text = LEAST + "".join(f"x{n} = 'a'\n" for n in range(500))
    with pytest.raises(ConfigError) as caught:
        parse_bench_file(text, where="x")
    said = str(caught.value).splitlines()
    assert said[0].endswith("500 mistakes.")
    assert len(said) == 22
    assert said[-1].strip() == "and 480 more"


def test_a_long_value_is_cut_in_the_message():
    with pytest.raises(ConfigError) as caught:
        parse_bench_file(LEAST.replace("volume_l = 0.5", f"volume_l = '{'x' * 100_000}'"), where="x")
    assert len(str(caught.value)) < 300
