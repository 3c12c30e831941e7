"""A spoilt file never ends in a traceback or with a verdict's status; the study has more of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.mutated_files import tried


@pytest.mark.slow
@pytest.mark.parametrize("number", range(24))
def test_a_spoilt_file_is_refused_in_words(number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHRIG_HOME", str(tmp_path))  # and put back afterwards
    found = tried(number, 7, tmp_path)
    assert not found.traceback, (found.how, found.traceback)
    assert found.status in (0, 2, 3), found.how
    assert found.said or found.status == 0, found.how
