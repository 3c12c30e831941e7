"""Calibrations and checks count to the very end of their time, and not an instant longer."""

from __future__ import annotations

from datetime import timedelta

import pytest

from benchrig.bench.traceability import assess_traceability
from tests.bench.test_traceability import ALL, NOW, PASSED, file


@pytest.mark.parametrize(("later", "counts"), [(-1, True), (0, True), (1, False)])
def test_a_calibration_counts_to_the_last_instant_of_its_time(later, counts):
    end = min(each.until for each in ALL)
    assert all(each.until == end for each in ALL)
    at = end + timedelta(microseconds=later)
    found = assess_traceability(file("[check]\nneeded = false\n"), None, ALL, at)
    assert len(found.used) == (len(ALL) if counts else 0)
    assert len(found.missing) == (0 if counts else len(ALL))


def test_a_failed_check_forbids_a_run_where_checks_are_needed_and_only_there():
    from dataclasses import replace

    failed = replace(PASSED, passed=False, failed=("Coil supply",))
    assert assess_traceability(file(), failed, ALL, NOW).forbidden
    assert not assess_traceability(file("[check]\nneeded = false\n"), failed, ALL, NOW).forbidden
