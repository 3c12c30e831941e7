"""The studies of tests/benchmarks on a few cases: lossy line, killed host, fuzzed bytes, the corpus of the fuzzer."""

import sys

import pytest

from tests.benchmarks.fuzz_board import CORPUS, one_script, random_bytes
from tests.benchmarks.lossy_link import KINDS, study
from tests.benchmarks.random_kills import ALLOWED_S, kills


@pytest.mark.slow
def test_runs_over_a_line_that_spoils_a_fifth_of_the_frames_end_as_on_a_clean_one():
    total = study(2, 0.2, KINDS, 7)
    assert total["as on the clean line"] + total["status 3"] == total["runs"] == 2
    assert total["hangs"] == total["OTHER CHANGES AT THE PINS"] == total["repeats that switched on"] == 0
    assert min(total[kind] for kind in KINDS) > 40
    assert total["repeats heard"] > 100


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs fork")
def test_wherever_the_host_dies_the_outputs_are_off_in_time():
    found = kills(40, 3, each=40)
    assert len(found) == 40
    assert not [death for death in found if "error" in death]
    on = [death for death in found if death["on"]]
    assert len(on) > 20
    assert not any(death["left_on"] for death in on)
    assert max(death["over_s"] for death in on) <= ALLOWED_S


@pytest.mark.slow
def test_noise_and_damaged_frames_raise_nothing_and_are_not_kept(capsys):
    random_bytes(200_000, 5)
    assert "no exception" in capsys.readouterr().out


@pytest.mark.parametrize("path", sorted(CORPUS.iterdir()), ids=lambda path: path.name)
def test_the_scripts_that_fuzzing_starts_from_break_no_rule(path):
    one_script(path.read_bytes())
