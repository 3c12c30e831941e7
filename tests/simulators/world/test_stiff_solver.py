"""The implicit step against equations with known answers, and against its own order."""

import math

import pytest
from scipy.integrate import solve_ivp

from simulators.world.stiff_solver import rodas3


def march(steps):
    """y' = -50 y^2 + z sin t, z' = y - 3 z^2 from (1, 1) over one second."""
    y = z = 1.0
    h = 1.0 / steps
    for k in range(steps):
        t = k * h

        def slopes(s, y, z, t=t):
            return -50.0 * y * y + z * math.sin(t + s), y - 3.0 * z * z

        jacobian = (-100.0 * y, math.sin(t), 1.0, -6.0 * z)
        y, z, *_ = rodas3(slopes, y, z, h, slopes(0.0, y, z), jacobian, (z * math.cos(t), 0.0))
    return y, z


def test_halving_the_step_divides_the_error_by_eight():
    exact = solve_ivp(
        lambda t, u: (-50.0 * u[0] ** 2 + u[1] * math.sin(t), u[0] - 3.0 * u[1] ** 2),
        (0.0, 1.0),
        (1.0, 1.0),
        rtol=1e-12,
        atol=1e-14,
    ).y[:, -1]
    errors = [math.hypot(y - exact[0], z - exact[1]) for y, z in map(march, (100, 200, 400))]
    assert math.log2(errors[0] / errors[1]) == pytest.approx(3.0, abs=0.2)
    assert math.log2(errors[1] / errors[2]) == pytest.approx(3.0, abs=0.2)


def test_a_fast_decay_is_gone_after_one_long_step():
    # y' = -1e9 (y - cos s): L-stability leaves nothing of the start, and the end lies on the slow solution
    rate = 1e9

    def slopes(s, y, z):
        return -rate * (y - math.cos(s)), 0.0

    y, *_ = rodas3(slopes, 5.0, 0.0, 0.1, slopes(0.0, 5.0, 0.0), (-rate, 0.0, 0.0, 0.0), (0.0, 0.0))
    assert y == pytest.approx(math.cos(0.1), abs=1e-6)


def test_the_error_estimate_is_of_the_size_of_the_error_of_the_lower_order():
    h = 0.1

    def slopes(s, y, z):
        return -y, 0.0

    y, _, estimate, _ = rodas3(slopes, 1.0, 0.0, h, (-1.0, 0.0), (-1.0, 0.0, 0.0, 0.0), (0.0, 0.0))
    assert abs(y - math.exp(-h)) < abs(estimate) < h**3
