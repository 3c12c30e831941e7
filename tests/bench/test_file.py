"""The bench file: every mistake at once, each with what to do."""

from pathlib import Path

import pytest

from benchrig.bench.file import load_bench_file, parse_bench_file
from benchrig.cli.places import demo_folder
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
"""


def test_the_least_file_is_enough_and_the_rest_has_defaults():
    file = parse_bench_file(LEAST, where="here").file
    assert file.reservoir.volume_l == 0.5
    assert file.sequence.clicks == 10
    assert file.meter.wires == 4


def test_the_demonstrations_bench_file_is_valid_and_says_that_it_is_simulated():
    loaded = load_bench_file(demo_folder() / "bench.toml")
    assert loaded.file.bench.simulated
    assert len(loaded.sha256) == 64


def test_all_mistakes_are_told_at_once_with_their_names_and_values():
    text = (
        LEAST.replace("volume_l = 0.5", "volume_l = -1\nvolumne_l = 2")
        + "[supply]\nlow_v = 15\nhigh_v = 12\n[shunt]\nu_percent = 'x'\n"
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
