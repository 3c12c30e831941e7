"""The list of mutations keeps up with the program: a text that is gone would try nothing."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
from mutations import MUTATIONS

TOP = Path(__file__).resolve().parents[1]


def test_the_text_of_every_mutation_is_in_its_file_once_and_its_tests_exist():
    wrong = [
        f"{each.name}: {each.file}"
        for each in MUTATIONS
        if not (TOP / each.file).is_file() or (TOP / each.file).read_text(encoding="utf-8").count(each.old) != 1
    ]
    assert not wrong
    assert not [name for each in MUTATIONS for name in each.tests if not (TOP / name).exists()]


def test_no_two_mutations_share_their_name():
    assert [name for name, count in Counter(each.name for each in MUTATIONS).items() if count > 1] == []
