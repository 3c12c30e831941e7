"""First motion, the zero from both ends of a record, arrivals without a dip: what tells of them, from both sides."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from benchrig.analysis.armature import inrush, pull_in
from benchrig.analysis.armature.first_motion import first_motion, flight_fit
from benchrig.analysis.armature.release import Release
from benchrig.analysis.coil.coil_trace import prepare
from benchrig.analysis.coil.switch_on import current_zero
from benchrig.analysis.statistics.kinks import Instant
from tests.analysis.test_inrush import OFF_S, coil

DT = 1e-4


def flight(leaves_s: float, power: float, arrival_s: float = 8e-3):
    """Current against a flux that grows evenly, less flux times a power of the time since the armature left."""
    t = np.arange(0.0, arrival_s - 2e-4, DT)
    flux = t / arrival_s
    away = np.maximum(t - leaves_s, 0.0) / (arrival_s - leaves_s)
    return t, flux, 0.8 * flux + 0.1 * flux**2 - 0.4 * flux * away**power


@pytest.mark.parametrize("power", [2.0, 3.0, 4.0])
@pytest.mark.parametrize("leaves_s", [2e-3, 4e-3, 6e-3])
def test_a_flight_that_is_a_power_of_time_gives_the_moment_of_leaving(leaves_s, power):
    part, u = flight_fit(*flight(leaves_s, power), 1e-4, 8e-3)
    assert part == pytest.approx(leaves_s / 8e-3, abs=0.02)
    assert u < 0.03


def test_noise_makes_the_moment_of_leaving_less_certain():
    t, flux, current = flight(4e-3, 3.0)
    quiet = flight_fit(t, flux, current, 1e-4, 8e-3)[1]
    rng = np.random.default_rng(2)
    noise = flight_fit(t, flux, current + rng.normal(0.0, 0.01, t.size), 0.01, 8e-3)[1]
    assert noise > 3.0 * quiet


def test_without_a_drop_out_the_first_motion_is_less_certain(monkeypatch):
    t = np.arange(-5e-3, 0.14, DT)
    rise = 0.8 * -np.expm1(-np.maximum(t, 0.0) / 5e-3) - 0.25 * np.clip((t - 4e-3) / 3e-3, 0.0, 1.0) ** 2
    after = 1.0 - (1.0 - float(np.interp(7e-3, t, rise))) * np.exp(-(t - 7e-3) / 9e-3)
    decay = np.maximum(1.05 * np.exp(-(t - 0.08) / 8e-3) - 0.05, 0.0)
    i = np.where(t < 0.0, 0.0, np.where(t < 7e-3, rise, np.where(t < 0.08, after, decay)))
    found = []
    for back in (None, Instant(9e-3, 1e-4, 20.0)):
        monkeypatch.setattr(inrush, "look_for_release", lambda *args, back=back: Release(back=back))
        found.append(inrush.analyse_inrush(t, 0.5 * i, supply_v=13.0, off_s=0.08))
    assert found[0].motion_start_ms == found[1].motion_start_ms
    assert found[0].motion_start_ms_u == pytest.approx(inrush.HELD_LATE * found[1].motion_start_ms_u)


def branches_of(t, flux, current, apart):
    return SimpleNamespace(rise_flux=flux, rise=current, rise_smooth=current, apart=apart)


def test_a_hump_makes_the_first_motion_more_certain_than_the_rise_alone():
    t, flux, current = flight(4e-3, 3.0, 8e-3)
    late = np.arange(t[-1] + DT, 16e-3, DT)
    t, flux, current = np.append(t, late), np.append(flux, late / 8e-3), np.append(current, 0.5 + 20.0 * (late - 8e-3))
    away = np.clip((t - 4e-3) / 4e-3, 0.0, 1.0) ** 3
    hump = 0.4 * flux * (1.0 - away)
    trace = SimpleNamespace(rise_s=t, dt_s=DT)
    bare = first_motion(trace, branches_of(t, flux, current, np.full(t.size, np.nan)), 0.002, 8e-3)
    both = first_motion(trace, branches_of(t, flux, current, hump), 0.002, 8e-3)
    assert both.u_s < bare.u_s
    assert abs(both.s - 4e-3) < 2.0 * both.u_s
    assert abs(bare.s - 4e-3) < 2.0 * bare.u_s


def zero_with(late_a: float, lead: int = 6) -> tuple[float, float]:
    """Zero of a record with a short noisy lead-in (mean 0.1 A off by noise) and a long stretch at the end."""
    rng = np.random.default_rng(5)
    ahead = rng.normal(0.0, 0.01, lead)
    ahead += 0.004 - ahead.mean()
    after = rng.normal(late_a, 0.01, 400)
    after += late_a - after.mean()
    current = np.concatenate([ahead, np.full(100, 1.0), after])
    t = (np.arange(current.size) - lead) * DT
    zero, u, hidden = current_zero(t, current, slice(0, lead), slice(lead + 100, current.size), 0.0, 0.01, notes := [])
    assert not hidden
    assert not notes
    return zero, u


def test_a_short_lead_in_and_the_end_of_the_record_share_the_zero():
    zero, u = zero_with(0.0)
    assert abs(zero) < 0.002
    assert u < 0.0025  # 0.01 / sqrt(6) = 0.0041 by the lead-in alone


def test_a_zero_that_moved_is_that_before_the_pulse():
    zero, u = zero_with(0.03)
    assert zero == pytest.approx(0.004, abs=1e-9)
    assert u == pytest.approx(0.01 / 6**0.5, rel=0.01)


def test_a_current_that_still_falls_at_the_end_is_not_taken_for_the_zero():
    # a slow coil without a lead-in: half of what follows the release still carries 10 % of the current
    t = np.arange(0.0, 0.17, DT)
    decay = np.maximum(1.15 * np.exp(-(t - OFF_S) / 14e-3) - 0.15, 0.0)
    i = np.where(t < OFF_S, -np.expm1(-t / 14e-3), decay)
    noise = np.random.default_rng(3).normal(0.0, 0.015, t.size)
    trace = prepare(t, i + noise, None, OFF_S)
    assert trace.rise_a[-200:].mean() == pytest.approx(1.0, abs=0.006)


def shoulder(monkeypatch, hump_jump: float, hump_u_s: float = 1e-3) -> Instant | None:
    """What `_shoulder` makes of a bend of jump 100 per second at 4 ms and a hump whose fall ends at 13 ms."""
    bend, hump = Instant(4e-3, 2e-4, 12.0, jump=100.0), Instant(13e-3, hump_u_s, 20.0, jump=hump_jump)
    monkeypatch.setattr(pull_in, "best_kink", lambda *args, bent, **how: bend if bent else hump)
    line = np.zeros(200)
    b = SimpleNamespace(rise=line, rise_smooth=line, apart=line)
    return pull_in._shoulder(SimpleNamespace(dt_s=DT), b, 0.01, 30, 130, True)


def test_the_end_of_a_long_slope_is_no_arrival(monkeypatch):
    assert shoulder(monkeypatch, 10.0, 1e-4).s == 4e-3


def test_of_two_sharp_ends_the_more_certain_is_the_arrival(monkeypatch):
    assert shoulder(monkeypatch, 60.0, 1e-4).s == 13e-3
    assert shoulder(monkeypatch, 60.0, 1e-3).s == 4e-3


def test_samples_missing_about_a_time_are_counted_and_elsewhere_not():
    t, i = coil(10_000.0)
    kept = np.ones(t.size, dtype=bool)
    at = int(np.searchsorted(t, 5e-3))
    kept[at : at + 2] = False
    trace = prepare(t[kept], i[kept], None, OFF_S)
    assert trace.missing_at(5.1e-3) == pytest.approx(2e-4, rel=1e-6)
    assert trace.missing_at(8e-3) == 0.0
    assert trace.gaps_s == ()
