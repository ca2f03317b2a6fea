"""What a meter shows of a true value: one at a time, and many with the same bits."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np
import pytest

from drivers.figures import RangeSettling, Surroundings, WarmUp, averaged_line
from drivers.simulated.conditions import Profile
from drivers.simulated.instruments.excess import Excess
from drivers.simulated.instruments.meter import Meter, Streams
from drivers.simulated.instruments.noise import UNDISTURBED, Disturbance
from drivers.specification import Specification, load_specification
from grammar.quantity import CURRENT, VOLTAGE

SECOND_NS = 1_000_000_000
CYCLE_NS = 20_000_000
ROOM = Profile.constant(296.15)
SHOT = Disturbance(carrier=1e-9)
"""More than any part has, so that it is seen in volts: 0.2 mV at 1 V over a line cycle."""


def demo(**changes: Any) -> Specification:
    """The demo specification; `changes` to every voltage range, or to itself."""
    found, _ = load_specification("demo-source-measure")
    assert found is not None
    own = {key: value for key, value in changes.items() if key in Specification.model_fields}
    rest = {key: value for key, value in changes.items() if key not in own}
    ranges = tuple(r.model_copy(update=rest) for r in found.voltage_ranges)
    return found.model_copy(update={"voltage_ranges": ranges, **own})


def streams(seed: int) -> Streams:
    readings, samples, later = np.random.SeedSequence(seed).spawn(3)
    return Streams(
        np.random.default_rng(readings), lambda: np.random.default_rng(samples), lambda: later
    )


def meter(
    specification: Specification,
    seed: int = 0,
    index: int | None = 1,
    aperture_ns: int = CYCLE_NS,
    disturbance: Disturbance = UNDISTURBED,
    temperature: Profile = ROOM,
    ideal: bool = False,
) -> Meter:
    excess = Excess(specification, temperature)
    found = Meter(
        VOLTAGE,
        specification,
        None if ideal else streams(seed),
        50.0,
        disturbance,
        None if excess.never else excess,
    )
    found.use(index, aperture_ns)
    return found


def quiet(**changes: Any) -> Specification:
    """Without noise, resolution and what moves, so that one thing is seen by itself."""
    still = {"noise": 0.0, "resolution": 0.0, "noise_corner": 0.0, "line_pick_up": 0.0}
    return demo(**(still | {"temperature": None} | changes))


@pytest.mark.parametrize("seed", range(40))
def test_many_are_shown_to_the_bit_as_one_after_the_other(seed: int) -> None:
    """Over random ranges, apertures, courses and disturbances, taken in pieces of random length.

    What `show_many` doesn't show is a change of range or over range, which `show` then tells.
    """
    chance = np.random.default_rng(seed)

    def maybe(value: Any, otherwise: Any) -> Any:
        return value if chance.random() < 0.5 else otherwise

    specification = demo(
        noise_corner=maybe(float(10 ** chance.uniform(-2, 1)), 0.0),
        line_pick_up=maybe(1e-3, 0.0),
        resolution=maybe(1e-5, maybe(3e-6, 0.0)),
        warm_up=maybe(WarmUp.model_construct(time=300.0, factor=4.0), None),
        temperature=maybe(
            Surroundings.model_construct(calibrated_at=290.0, holds_within=2.0, coefficient=0.2),
            None,
        ),
        range_settling=maybe(RangeSettling.model_construct(wait=0.01, error=0.01, decay=0.5), None),
    )
    how: dict[str, Any] = {
        "seed": seed,
        "index": maybe(None, int(chance.integers(0, 3))),
        "aperture_ns": maybe(CYCLE_NS, int(10 ** chance.uniform(5, 9))),
        "disturbance": maybe(
            Disturbance(2e-3, 1e-6, carrier=maybe(1e-7, 0.0)), maybe(SHOT, UNDISTURBED)
        ),
    }
    count = 600
    steps_ns = maybe(SECOND_NS // 10, int(10 ** chance.uniform(6, 10)))
    ends_ns = how["aperture_ns"] + np.arange(count) * steps_ns
    true = chance.choice([0.3, 1.0, 6.0]) * np.cos(np.arange(count) / chance.uniform(10, 100))
    one, many = meter(specification, **how), meter(specification, **how)
    for other in (one, many):
        other.settle(0)
    singly = [
        (one.show(v, e), one.full_scale)
        for v, e in zip(true.tolist(), ends_ns.tolist(), strict=True)
    ]
    at = taken = 0
    while at < count:
        until = min(count, at + int(chance.integers(1, 200)))
        values, shown = many.show_many(true[at:until], ends_ns[at:until])
        assert len(values) == until - at
        spent = int(chance.integers(0, shown + 1))
        assert [(v, many.full_scale) for v in values[:shown].tolist()] == singly[at : at + shown]
        many.spend(spent)
        at, taken = at + spent, taken + spent
        if at < count and spent == shown < until - at + spent:
            was = many.full_scale
            assert (many.show(float(true[at]), int(ends_ns[at])), many.full_scale) == singly[at]
            value = singly[at][0]
            assert many.full_scale != was or math.isinf(value) or _hovers(float(true[at]), value)
            at += 1
    assert taken > 0


def _hovers(true: float, value: float) -> bool:
    """A value that noise has carried past the edge of the range that the true one lies in."""
    return any((abs(true) > edge) != (abs(value) > edge) for edge in (0.5, 5.0, 40.0))


def test_what_the_source_forces_has_no_noise_of_the_part() -> None:
    """Shot noise and Johnson noise are in the quantity that the part is free to choose."""
    for disturbance in (SHOT, Disturbance(noise_density=1e-3)):
        shown = meter(quiet(), disturbance=disturbance)
        ends_ns = [SECOND_NS + k * CYCLE_NS for k in range(20)]
        assert len({shown.show(1.0, end_ns) for end_ns in ends_ns}) == 20
        shown.use(1, CYCLE_NS, True)
        assert len({shown.show(1.0, end_ns) for end_ns in ends_ns}) == 1
        times_ns = np.array(ends_ns)
        assert np.ptp(shown.sampled(np.ones(20), 1, 1e-4, times_ns)) == 0
        shown.use(1, CYCLE_NS)
        assert len({shown.show(1.0, end_ns) for end_ns in ends_ns}) == 20
        assert np.ptp(shown.sampled(np.ones(20), 1, 1e-4, times_ns)) > 0


def test_samples_have_the_shot_noise_of_their_own_current() -> None:
    """q·I/T in each: 4000 samples at 1 V and 4000 at 4 V, √(2/n) = 2.2 % each, five of these."""
    shown = meter(quiet(), disturbance=SHOT)
    true = np.repeat([1.0, 4.0], 4000)
    noise = shown.sampled(true, 1, 1e-2, np.arange(8000) * 10_000_000) - true
    for level, half in ((1.0, noise[:4000]), (4.0, noise[4000:])):
        assert np.var(half) == pytest.approx(1e-9 * level / 1e-2, rel=0.11)


def test_an_ideal_meter_shows_what_is_there() -> None:
    """Whatever the leads and the surroundings are: `ideal` takes away all of it."""
    cold = WarmUp.model_construct(time=300.0, factor=4.0)
    ideal = meter(demo(warm_up=cold), disturbance=Disturbance(1.0, 1.0), ideal=True)
    assert ideal.show(1.234567891234, CYCLE_NS) == 1.234567891234


def test_pick_up_averages_out_over_whole_cycles() -> None:
    """1 mV at 50 Hz: nothing of it in 20 ms, sin(π/2)/(π/2) = 0.64 mV at most in 10 ms."""
    disturbance = Disturbance(pick_up=1e-3)
    whole = meter(quiet(), disturbance=disturbance)
    assert len({whole.show(1.0, CYCLE_NS + k * 777_777) for k in range(100)}) == 1
    half = meter(quiet(), aperture_ns=CYCLE_NS // 2, disturbance=disturbance)
    values = [half.show(1.0, CYCLE_NS + k * 1_000_000) for k in range(20)]
    size = (max(values) - min(values)) / 2
    assert size == pytest.approx(2e-3 / math.pi, rel=0.02)
    assert size == pytest.approx(1e-3 * averaged_line(0.01, 50.0), rel=0.02)


def test_the_range_s_own_pick_up_adds_to_that_of_the_leads() -> None:
    both = meter(quiet(line_pick_up=2e-3), 4, 1, CYCLE_NS // 4, Disturbance(1e-3))
    leads = meter(quiet(), 4, 1, CYCLE_NS // 4, Disturbance(1e-3))
    neither = meter(quiet(), 4, 1, CYCLE_NS // 4)
    none = neither.show(1.0, SECOND_NS)
    assert both.show(1.0, SECOND_NS) - none == pytest.approx(
        3 * (leads.show(1.0, SECOND_NS) - none), rel=1e-9
    )


def test_noise_of_the_leads_goes_with_the_root_of_the_bandwidth() -> None:
    """Johnson noise of 1 GΩ at 300 K: 4.070355 µV/√Hz (reference value, from CODATA constants).

    A mean over T has the bandwidth 1/(2T): 20.35 µV over 20 ms. The standard deviation of 4000
    readings lies within 5/√(2n) = 5.6 % of it.
    """
    shown = meter(quiet(), disturbance=Disturbance(noise_density=4.070355e-6))
    values = [shown.show(0.0, k * CYCLE_NS) for k in range(1, 4001)]
    assert statistics.stdev(values) == pytest.approx(4.070355e-6 * 5, rel=0.056)


def test_drift_of_a_range_at_its_corner() -> None:
    """Slow means wander by more than white noise would: the octaves add in squares.

    3 µV at one cycle with a corner of 1 Hz: a deviation of 3 µV·√(2 ln 2/50) = 0.5 µV an octave.
    Over 300 runs, means of 100 readings have σ² = (3 µV)²/100 + octaves·(0.5 µV)², less what
    averages out within 2 s: from 0.6 to 1 of it, within five times √(2/n)/2 = 20 % of σ.
    """
    means = []
    for seed in range(300):
        shown = meter(quiet(noise=3e-6, noise_corner=1.0), seed)
        own = shown._errors[1]
        readings = [shown.show(0.0, (k + 500) * CYCLE_NS) for k in range(100)]
        means.append(statistics.fmean(readings) - own.measure_offset)
    octaves = math.ceil(math.log2(16 * 2**21))
    most = math.sqrt(9e-12 / 100 + octaves * 9e-12 * 2 * math.log(2) / 50)
    assert 0.6 * most < statistics.pstdev(means) < 1.2 * most


def test_a_cold_instrument_errs_by_more() -> None:
    """Three times its errors at power-on; after the stated time e^-5 of the excess is left."""
    warm = WarmUp.model_construct(time=1800.0, factor=3.0)
    specification = quiet(warm_up=warm)
    shown, settled = meter(specification, 6), meter(quiet(), 6)
    error = settled.show(2.0, SECOND_NS) - 2.0
    for time_s, excess in ((0.01, 2.0), (360.0, 2 / math.e), (1800.0, 2 * math.exp(-5))):
        found = shown.show(2.0, round(time_s * SECOND_NS) + CYCLE_NS // 2) - 2.0
        assert found / error - 1 == pytest.approx(excess, rel=1e-3)


def test_errors_grow_beyond_the_temperatures_of_the_calibration() -> None:
    """10 % of the accuracy a kelvin, from 23 °C ± 5 K on: 1.7 of it at 35 °C, as at 11 °C."""
    stated = Surroundings.model_construct(calibrated_at=296.15, holds_within=5.0, coefficient=0.1)
    inside = meter(quiet(), 7).show(2.0, SECOND_NS) - 2.0
    for celsius, factor in ((23.0, 1.0), (28.0, 1.0), (35.0, 1.7), (11.0, 1.7)):
        around = Profile.constant(celsius + 273.15)
        shown = meter(quiet(temperature=stated), 7, temperature=around)
        assert (shown.show(2.0, SECOND_NS) - 2.0) / inside == pytest.approx(factor, rel=1e-9)


def test_errors_follow_the_temperature_of_the_day() -> None:
    """From 23 °C to 43 °C in an hour: half an hour on, 33 °C is 5 K beyond, 1.5 of the errors."""
    stated = Surroundings.model_construct(calibrated_at=296.15, holds_within=5.0, coefficient=0.1)
    day = Profile((0.0, 3600.0), (296.15, 316.15))
    inside = meter(quiet(), 7).show(2.0, SECOND_NS) - 2.0
    shown = meter(quiet(temperature=stated), 7, temperature=day)
    late = shown.show(2.0, 1800 * SECOND_NS + CYCLE_NS // 2) - 2.0
    assert late / inside == pytest.approx(1.5, rel=1e-9)


def test_what_a_change_of_range_leaves_decays() -> None:
    """1 % of 5 V at the moment when it is waited for, less by e after 0.2 s, none after 8 s."""
    stated = RangeSettling.model_construct(wait=0.0, error=0.01, decay=0.2)
    shown = meter(quiet(range_settling=stated), 2)
    plain = shown.show(1.0, CYCLE_NS // 2)
    shown.settle(SECOND_NS)
    at = [abs(shown.show(1.0, SECOND_NS + CYCLE_NS // 2 + round(t * 1e9)) - plain)
          for t in (0.0, 0.2, 0.4, 8.0)]  # fmt: skip
    assert at == pytest.approx([0.05, 0.05 / math.e, 0.05 / math.e**2, 0.0], abs=1e-12)


def test_samples_have_the_pick_up_of_their_times() -> None:
    """A capture at 5 kHz shows 1 mV of 50 Hz: a hundred samples a cycle, a sine within 0.1 %."""
    shown = meter(quiet(line_pick_up=1e-3), 3)
    times_ns = SECOND_NS + np.arange(500) * 200_000
    true = np.full(500, 0.5)
    values = shown.sampled(true, 1, 2e-4, times_ns)
    spectrum = np.abs(np.fft.rfft(values - values.mean())) * 2 / 500
    assert int(spectrum.argmax()) == 5
    assert spectrum[5] == pytest.approx(1e-3 * averaged_line(2e-4, 50.0), rel=1e-9)
    assert np.ptp(meter(quiet(), 3).sampled(true, 1, 2e-4, times_ns)) == 0.0


def test_a_meter_takes_the_ranges_of_its_quantity() -> None:
    specification = demo()
    amperes = Meter(CURRENT, specification, None, 50.0)
    amperes.use(0, CYCLE_NS)
    assert amperes.full_scale == specification.current_ranges[0].full_scale


def test_errors_are_named_by_what_a_range_was_used_for() -> None:
    meter = Meter(VOLTAGE, demo(), streams(4), 50.0)
    meter.use(2, CYCLE_NS)
    own = meter._errors
    assert dict(meter.errors([])) == {}
    assert dict(meter.errors([0.5])) == {
        "measure gain, 500 mV range": own[0].measure_gain,
        "measure offset, 500 mV range": own[0].measure_offset,
    }
    assert meter.sourced(30.0) == 30.0 * own[2].source_gain + own[2].source_offset
    sourced = {
        "source gain, 40 V range": own[2].source_gain,
        "source offset, 40 V range": own[2].source_offset,
    }
    assert dict(meter.errors([])) == sourced
    assert dict(meter.errors([40.0])) == sourced | {
        "measure gain, 40 V range": own[2].measure_gain,
        "measure offset, 40 V range": own[2].measure_offset,
    }
