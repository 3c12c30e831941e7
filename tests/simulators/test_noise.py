"""Noise by sample index: the right distribution, the same for any way of asking."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.noise import SampleNoise, within


def test_noise_is_standard_normal_and_white():
    values = SampleNoise(3, 5).at(np.arange(200_000))
    # standard errors: mean 0.0022, sd 0.0016, fourth moment 0.022 (sqrt(96/n)), correlation 0.0022; five of each
    assert abs(values.mean()) < 0.011
    assert values.std() == pytest.approx(1.0, abs=0.008)
    assert np.mean(values**4) == pytest.approx(3.0, abs=0.11)
    assert abs(np.corrcoef(values[1:], values[:-1])[0, 1]) < 0.011


@pytest.mark.parametrize(("seed", "stream"), [(3, 6), (4, 5), (-3, 5)])
def test_streams_and_seeds_are_unrelated(seed, stream):
    index = np.arange(200_000)
    one, other = SampleNoise(3, 5).at(index), SampleNoise(seed, stream).at(index)
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.011


def test_the_single_sample_agrees_with_the_block():
    noise = SampleNoise(9, 2)
    index = np.array([0, 1, 4095, 10**9, 2**61])
    assert noise.at(index) == pytest.approx([noise.one(int(i)) for i in index], rel=1e-9)


def test_errors_are_drawn_inside_four_fifths_of_the_specification():
    drawn = [within(2.0, seed=seed, stream=1) for seed in range(300)]
    assert max(map(abs, drawn)) <= 1.6
    assert max(drawn) > 1.4
    assert min(drawn) < -1.4
