"""Noise of the simulated meters: spectra, averages, and that only time and seed decide."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from drivers.figures import averaged_line, drift_octaves, drift_per_octave
from drivers.simulated.circuits.flow import Array
from drivers.simulated.instruments.noise import Disturbance, Drift, White, line_at, lines_at

SECOND_NS = 1_000_000_000


def drift(seed: int, corner_hz: float = 1 / 16) -> Drift:
    sequence = np.random.SeedSequence(seed)
    return Drift(np.random.default_rng(sequence), lambda: sequence, corner_hz)


def density(values: Array) -> tuple[Array, Array]:
    """Frequencies (Hz) and one-sided density of samples a second apart.

    By averaged periodograms of 1024 samples that overlap by half, under a Hann window (P. D. Welch,
    1967, from memory).
    """
    size = 1024
    window = np.hanning(size)
    pieces = [values[k : k + size] for k in range(0, len(values) - size + 1, size // 2)]
    powers = [np.abs(np.fft.rfft((piece - piece.mean()) * window)) ** 2 for piece in pieces]
    found = np.mean(powers, axis=0) * 2 / (window**2).sum()
    return np.asarray(np.fft.rfftfreq(size), float), np.asarray(found, float)


def test_drift_falls_as_one_over_f() -> None:
    """From 1/128 Hz to the corner the density is 1/(f·ln 2), with a slope of -1.

    Over single seeds of 65,536 samples the fitted slope scatters by 0.024 and the mean level by
    0.013, over the mean of four by half of it: the bounds are five of these standard deviations
    beside the few percent that are missing at the corner. White noise has slope 0, a random walk
    -2.
    """
    slopes, levels = [], []
    for seed in range(4):
        times_ns = np.arange(1 << 16) * SECOND_NS + SECOND_NS // 2
        frequency, found = density(drift(seed).many(times_ns, SECOND_NS))
        band = (frequency >= 1 / 128) & (frequency <= 1 / 16)
        slopes.append(np.polyfit(np.log(frequency[band]), np.log(found[band]), 1)[0])
        levels.append(np.mean(found[band] * frequency[band] * math.log(2)))
    assert np.mean(slopes) == pytest.approx(-1, abs=0.06 + 0.04)
    assert np.mean(levels) == pytest.approx(1, abs=0.035 + 0.05)


def test_drift_has_a_unit_an_octave() -> None:
    """Over 400 seeds the variance at one time is the number of octaves.

    Relative standard deviation of a variance of n normal values: √(2/n) = 7 %; five of them.
    """
    values = [drift(seed).at(77 * SECOND_NS, 1) for seed in range(400)]
    assert np.mean(np.square(values)) == pytest.approx(drift_octaves(1 / 16), rel=0.35)


def test_drift_is_as_strong_as_white_noise_at_the_corner() -> None:
    """2·σ²·T of white noise of σ over T = 20 ms, and a²/(f·ln 2) at f = 0.4 Hz."""
    octave = drift_per_octave(3e-6, 0.4, 50.0)
    assert octave**2 / (0.4 * math.log(2)) == pytest.approx(2 * 3e-6**2 * 0.02, rel=1e-12, abs=0)


def test_a_long_aperture_averages_what_is_faster() -> None:
    """A step of 1 s that lasts a hundredth of the aperture keeps a tenth of its deviation.

    The difference of neighbouring readings of 1000 s apertures on steps of 1 s: octaves up to 512 s
    count by T/1000 each, the slower ones, which stand still in most pairs, by 1000/T of their
    variance at most; twice their sum bounds the mean square, within five times √(2/n) = 10 %.
    """
    times_ns = np.arange(1, 501) * 1000 * SECOND_NS
    values = np.concatenate([drift(seed).many(times_ns, 1000 * SECOND_NS) for seed in range(8)])
    fast = sum(2.0**k / 1000 for k in range(10))
    slow = sum(1000 / 2.0**k for k in range(10, drift_octaves(1 / 16)))
    steps = np.diff(values.reshape(8, -1), axis=1)
    assert 2 * fast * 0.9 < np.mean(steps**2) < 2 * (fast + slow) * 1.1


def test_drift_depends_on_time_and_seed_alone() -> None:
    """Looked at once, often, in blocks or backwards: the same bits."""
    chance = np.random.default_rng(5)
    for seed in range(20):
        corner_hz = float(10 ** chance.uniform(-3, 2))
        longest_ns = int(10 ** chance.uniform(9, 16))
        times_ns = np.sort(chance.integers(0, longest_ns, 300))
        aperture_ns = int(10 ** chance.uniform(4, 9))
        often = drift(seed, corner_hz)
        singly = [often.at(t, aperture_ns) for t in times_ns.tolist()]
        assert drift(seed, corner_hz).many(times_ns, aperture_ns).tolist() == singly
        assert drift(seed, corner_hz).at(int(times_ns[-1]), aperture_ns) == singly[-1]
        fresh = drift(seed, corner_hz)
        assert [fresh.at(t, aperture_ns) for t in times_ns[::-1].tolist()] == singly[::-1]
        dense_ns = times_ns[0] + np.arange(2000) * max(1, int(SECOND_NS / corner_hz) // 100)
        singly = [often.at(t, aperture_ns) for t in dense_ns.tolist()]
        assert often.many(dense_ns, aperture_ns).tolist() == singly
    assert drift(1).at(0, 1) != drift(2).at(0, 1)


def test_drift_holds_as_long_as_it_says() -> None:
    noise = drift(3, 0.05)
    begin_ns, until_ns = noise.holds(17 * SECOND_NS)
    assert begin_ns <= 17 * SECOND_NS < until_ns
    within = [noise.at(t, 1) for t in range(begin_ns, until_ns, SECOND_NS // 100)]
    assert len(set(within)) == 1
    assert noise.at(until_ns, 1) != within[0]


def test_white_numbers_ahead_are_those_that_come() -> None:
    """Singly or ahead, in any order, across batches: one row of numbers."""
    row = np.random.default_rng(8).standard_normal(3 * 4096)
    white = White(np.random.default_rng(8))
    chance = np.random.default_rng(1)
    done = 0
    while done < 10_000:
        count = int(chance.integers(1, 700))
        if chance.random() < 0.5:
            taken = [white.at_hand.pop() if white.at_hand else white.more() for _ in range(count)]
            assert taken == row[done : done + count].tolist()
        else:
            assert white.ahead(2 * count).tolist() == row[done : done + 2 * count].tolist()
            white.spend(count)
        done += count


def test_the_mains_average_out_over_whole_cycles() -> None:
    """∫ of a sine over an aperture T, as a sum of 2000 mid-points: sin(π f T)/(π f T) of it."""
    for line_hz in (50.0, 60.0):
        for cycles in (1, 3, 50):
            assert averaged_line(cycles / line_hz, line_hz) == 0.0
        for aperture_s in (1e-5, 0.003, 0.0101, 0.029, 0.11):
            middle_ns = 12_345_678_901
            steps_ns = (np.arange(2000) + 0.5) / 2000 * aperture_s * 1e9
            times_ns = middle_ns - aperture_s * 5e8 + steps_ns
            mean = np.mean([line_at(int(t), line_hz, 0.7) for t in times_ns.tolist()])
            expected = averaged_line(aperture_s, line_hz) * line_at(middle_ns, line_hz, 0.7)
            assert mean == pytest.approx(expected, abs=2e-6)


def test_the_mains_keep_their_phase_for_days() -> None:
    """A whole number of cycles later: 60 Hz after 10 days, to the rounding of the time itself."""
    later_ns = 10 * 86_400 * SECOND_NS
    assert line_at(later_ns + 1_000_000, 60.0, 0.2) == pytest.approx(
        line_at(1_000_000, 60.0, 0.2), abs=1e-6
    )


@pytest.mark.parametrize("settling_s", [1e-6, 3e-3, 0.02, 0.7, 50.0])
@pytest.mark.parametrize("aperture_s", [1e-4, 0.02, 1.0])
def test_noise_behind_a_time_constant(aperture_s: float, settling_s: float) -> None:
    """∬ of the covariance S/(4·τ)·exp(−|t − t'|/τ) over the aperture, as scipy has it, over T²."""
    density = 3e-9
    of_pair, _ = quad(
        lambda t: 2 * (aperture_s - t) * math.exp(-t / settling_s),
        0, aperture_s, points=[min(aperture_s, 30 * settling_s)], epsrel=1e-11, limit=200,
    )  # fmt: skip
    expected = density**2 / (4 * settling_s) * of_pair / aperture_s**2
    noise = Disturbance(noise_density=density, settling_s=settling_s)
    assert noise.deviation(aperture_s) ** 2 == pytest.approx(expected, rel=1e-7, abs=0)


def test_noise_of_a_resistance_with_a_capacitance_comes_to_its_share_of_heat() -> None:
    """Over next to no time k·T/C is all of it, whatever R is: 6.4359 µV at 100 pF and 300 K."""
    for ohms in (1e9, 1e12):
        johnson = math.sqrt(4 * 1.380649e-23 * 300 * ohms)
        noise = Disturbance(noise_density=johnson, settling_s=ohms * 100e-12)
        assert noise.deviation(1e-5) == pytest.approx(6.4359e-6, rel=1e-4)


def test_shot_noise_is_that_of_the_charge_in_the_bandwidth() -> None:
    """1 nA in 1 Hz, half a second of it: 17.90071 fA (worked out elsewhere, from the constants)."""
    variance = Disturbance(carrier=1.602176634e-19).shot(0.5) * 1e-9
    assert math.sqrt(variance) == pytest.approx(17.90071e-15, rel=5e-7, abs=0)


def test_pick_up_at_many_times_is_that_at_each() -> None:
    """Also where the same times are asked for at another frequency."""
    times_ns = 3 * SECOND_NS + 1_234_567 * np.arange(300)
    for line_hz in (50.0, 60.0):
        for phase in (0.2, 1.9):
            each = [line_at(time_ns, line_hz, phase) for time_ns in times_ns.tolist()]
            assert lines_at(times_ns, line_hz, phase).tolist() == each
