"""Schedules: exact derivatives, the promises of each form, and honest truncation."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from flapsim.wing.schedule import (
    HARMONICS,
    LinkageError,
    basis,
    delayed,
    evaluate,
    fourier,
    harmonic,
    linkage,
    periodic_samples,
    quick_return,
)

# Sums of some fifty terms of order one, weighted by up to HARMONICS^2 in the acceleration.
ROUNDING = 1e-11

phases = st.floats(-10.0, 10.0)
lags = st.floats(-7.0, 7.0)
amplitudes = st.floats(0.05, 2.0)
fractions = st.floats(0.2, 0.8)
seeds = st.integers(0, 2**32 - 1)


def random_schedule(seed: int, lanes: tuple[int, ...] = ()) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(2 * HARMONICS + 1, *lanes))


def value_at_complex_phase(terms: np.ndarray, tau: np.ndarray) -> np.ndarray:
    """The definition of a schedule, written again for a complex phase."""
    total = terms[0] + 0j
    for h in range(1, HARMONICS + 1):
        total = total + terms[h] * np.cos(h * tau) + terms[HARMONICS + h] * np.sin(h * tau)
    return total


def value(series, tau) -> np.ndarray:
    return evaluate(series.coefficients, tau)[0]


# --- every schedule ----------------------------------------------------------------------------


@given(seeds, st.lists(phases, min_size=1, max_size=5))
def test_rate_and_acceleration_are_the_derivatives_of_the_value(seed, tau):
    # Complex step: exact to rounding, for any step that does not underflow.
    terms, tau, step = random_schedule(seed), np.array(tau), 1e-30
    at, rate, acceleration = evaluate(terms, tau)
    assert_allclose(at, value_at_complex_phase(terms, tau).real, atol=ROUNDING)
    slope = value_at_complex_phase(terms, tau + 1j * step).imag / step
    assert_allclose(rate, slope, atol=ROUNDING * HARMONICS)
    # The rate as a schedule of its own: a_h -> h b_h, b_h -> -h a_h.
    order = np.arange(1, HARMONICS + 1)
    cosine, sine = terms[1 : HARMONICS + 1], terms[HARMONICS + 1 :]
    of_rate = np.concatenate([[0.0], order * sine, -order * cosine])
    curvature = value_at_complex_phase(of_rate, tau + 1j * step).imag / step
    assert_allclose(acceleration, curvature, atol=ROUNDING * HARMONICS**2)


def test_lanes_are_evaluated_as_if_alone():
    terms, tau = random_schedule(1, (3, 2)), np.linspace(0.0, 6.0, 5)
    for together, alone_at in zip(evaluate(terms, tau), range(3), strict=True):
        assert together.shape == (5, 3, 2)
        for i in range(3):
            for j in range(2):
                alone = evaluate(terms[:, i, j], tau)[alone_at]
                assert_allclose(together[:, i, j], alone, atol=ROUNDING * HARMONICS**2)


def test_a_single_phase_gives_a_single_value():
    assert evaluate(random_schedule(2), 0.3)[0].shape == ()
    assert basis(0.3).shape == (2 * HARMONICS + 1,)


@given(seeds, lags, phases)
def test_a_lag_delays(seed, lag, tau):
    terms = random_schedule(seed)
    later = evaluate(delayed(terms, lag), tau + lag)
    # The phase h * tau loses about h * |tau| * 1e-16 per term.
    assert_allclose(later[0], evaluate(terms, tau)[0], atol=1e-10)
    assert_allclose(later[1], evaluate(terms, tau)[1], atol=1e-10 * HARMONICS)


@given(seeds, lags, lags)
def test_lags_add(seed, first, second):
    terms = random_schedule(seed)
    twice = delayed(delayed(terms, first), second)
    assert_allclose(twice, delayed(terms, first + second), atol=1e-11)


@given(lags, lags, amplitudes, fractions)
def test_the_lag_of_every_form_is_a_delay(lag, more, amplitude, fraction):
    for form in (
        lambda shift: harmonic(0.1, amplitude, shift),
        lambda shift: quick_return(0.1, amplitude, shift, fraction),
        lambda shift: linkage(0.02, 0.05, 0.08, 0.09, 0.1, shift),
    ):
        assert_allclose(
            form(lag + more).coefficients, delayed(form(lag).coefficients, more), atol=1e-11
        )


def test_one_lag_per_lane_may_delay_a_single_schedule():
    terms, lag = random_schedule(3), np.array([0.0, 0.5, 2.0])
    shifted = delayed(terms, lag)
    assert shifted.shape == (2 * HARMONICS + 1, 3)
    for lane, shift in enumerate(lag):
        assert_allclose(shifted[:, lane], delayed(terms, shift), atol=ROUNDING)


@pytest.mark.parametrize(
    "form",
    [
        harmonic,
        lambda mean, amplitude, lag: quick_return(mean, amplitude, lag, 0.35),
        lambda mean, amplitude, lag: linkage(0.02 * amplitude, 0.05, 0.08, 0.09, mean, lag),
        lambda mean, amplitude, lag: fourier(mean, [amplitude], [lag]),
    ],
    ids=["harmonic", "quick-return", "linkage", "fourier"],
)
def test_every_form_computes_a_batch_as_its_members(form):
    mean, amplitude, lag = np.array([0.0, 0.2]), np.array([0.9, 1.1]), np.array([0.4, -1.0])
    batch = form(mean, amplitude, lag)
    assert batch.truncation.shape == (2,)
    for lane in range(2):
        alone = form(mean[lane], amplitude[lane], lag[lane])
        assert_allclose(batch.coefficients[:, lane], alone.coefficients, atol=ROUNDING)
        assert_allclose(batch.truncation[lane], alone.truncation, atol=ROUNDING)


# --- harmonic ----------------------------------------------------------------------------------


@given(st.floats(-1.0, 1.0), amplitudes, lags, phases)
def test_harmonic_is_mean_plus_amplitude_times_cosine(mean, amplitude, lag, tau):
    series = harmonic(mean, amplitude, lag)
    assert_allclose(value(series, tau), mean + amplitude * np.cos(tau - lag), atol=1e-13)
    assert series.truncation == 0.0


# --- quick-return ------------------------------------------------------------------------------


def moebius_cosine(tau, lag, fraction):
    """cos psi from the phase map itself, without its series."""
    half_way = np.tan(0.5 * np.pi * fraction)
    from_mid_downstroke = tau - lag - np.pi * fraction
    psi = 2.0 * np.arctan2(
        np.sin(0.5 * from_mid_downstroke), half_way * np.cos(0.5 * from_mid_downstroke)
    )
    return -np.sin(psi)


@given(amplitudes, lags, fractions)
def test_quick_return_series_stays_within_its_bound_of_the_phase_map(amplitude, lag, fraction):
    series = quick_return(0.3, amplitude, lag, fraction)
    tau = np.linspace(0.0, 2.0 * np.pi, 200)
    error = np.abs(value(series, tau) - 0.3 - amplitude * moebius_cosine(tau, lag, fraction))
    assert np.max(error) <= amplitude * series.truncation + 1e-12
    assert series.truncation < 2e-7  # (1 + |r|) |r|^24 with |r| <= 0.5095 within 0.2..0.8


@given(amplitudes, lags, fractions)
def test_quick_return_takes_exactly_the_downstroke_fraction(amplitude, lag, fraction):
    series = quick_return(0.0, amplitude, lag, fraction)
    assert_allclose(value(series, lag), amplitude, atol=2e-7 * amplitude)
    assert_allclose(value(series, lag + 2 * np.pi * fraction), -amplitude, atol=2e-7 * amplitude)

    # The bottom is where the rate changes sign: between the middles of the two strokes.
    def rate(tau):
        return float(evaluate(series.coefficients, tau)[1])

    bottom = brentq(rate, lag + np.pi * fraction, lag + np.pi * (fraction + 1.0), xtol=1e-13)
    # The rate errs by some HARMONICS times the truncation, 4e-6, where the slowest reversal
    # (fraction 0.2 or 0.8) has an acceleration of the order of the amplitude.
    assert_allclose((bottom - lag) / (2.0 * np.pi), fraction, atol=4e-6)


@given(amplitudes, lags, fractions)
def test_quick_return_falls_throughout_the_downstroke(amplitude, lag, fraction):
    series = quick_return(0.0, amplitude, lag, fraction)
    down = lag + 2.0 * np.pi * fraction * np.linspace(0.01, 0.99, 50)
    up = lag + 2.0 * np.pi * (fraction + (1.0 - fraction) * np.linspace(0.01, 0.99, 50))
    assert np.all(evaluate(series.coefficients, down)[1] < 0.0)
    assert np.all(evaluate(series.coefficients, up)[1] > 0.0)


def test_quick_return_with_equal_strokes_is_harmonic():
    assert_allclose(
        quick_return(0.1, 0.4, 0.7, 0.5).coefficients,
        harmonic(0.1, 0.4, 0.7).coefficients,
        atol=1e-15,
    )


def test_quick_return_harmonics_decay_geometrically():
    series = quick_return(0.0, 1.0, 0.2, 0.3).coefficients
    size = np.hypot(series[1 : HARMONICS + 1], series[HARMONICS + 1 :])
    half_way = np.tan(0.15 * np.pi)
    assert_allclose(size[1:] / size[:-1], (1.0 - half_way) / (1.0 + half_way), rtol=1e-9)


@pytest.mark.parametrize("fraction", [0.0, 1.0, -0.2, np.nan])
def test_quick_return_without_a_way_down_or_up_is_refused(fraction):
    with pytest.raises(ValueError, match="between 0 and 1"):
        quick_return(0.0, 1.0, 0.0, fraction)


# --- Fourier coefficients ----------------------------------------------------------------------


def test_fourier_takes_lists_of_different_length():
    series = fourier(0.1, [0.3, 0.0, 0.02], [0.5])
    tau = np.linspace(0.0, 6.0, 7)
    expected = 0.1 + 0.3 * np.cos(tau) + 0.02 * np.cos(3 * tau) + 0.5 * np.sin(tau)
    assert_allclose(value(series, tau), expected, atol=1e-14)
    assert series.truncation == 0.0


def test_fourier_without_coefficients_is_constant():
    series = fourier(0.2, [], [])
    assert_allclose(value(series, [0.0, 1.0]), 0.2)
    assert series.truncation == 0.0


@pytest.mark.parametrize("order", [HARMONICS + 1, 60])
def test_fourier_counts_the_harmonics_it_cuts_off(order):
    cosines = np.zeros(order)
    cosines[0], cosines[-1] = 1.0, 1e-3
    # The ripple of 1e-3 moves the extremes by at most itself: half the range is 1 +- 1e-3.
    assert_allclose(fourier(5.0, cosines, []).truncation, 1e-3, rtol=2e-3)


# --- samples -----------------------------------------------------------------------------------

FIVE_HARMONICS = ([0.4, -0.1, 0.05, 0.0, 0.01], [0.2, 0.1, -0.03, 0.02, 0.005])


def recovery_error(count: int, first: float = 0.0) -> float:
    truth = fourier(0.1, *FIVE_HARMONICS)
    tau = first + np.arange(count) * 2.0 * np.pi / count
    series = periodic_samples(tau, value(truth, tau))
    return float(np.max(np.abs(series.coefficients - truth.coefficients)))


def test_samples_recover_a_known_series():
    # A cubic spline errs by (h w)^4 / 720 in a wave of w per step h: 4e-9 for the 5th harmonic
    # of amplitude 0.01 at 360 samples, and less for the lower ones.
    assert recovery_error(360) < 1e-8


def test_samples_recover_a_series_at_fourth_order():
    assert_allclose(np.log2(recovery_error(60) / recovery_error(120)), 4.0, atol=0.3)


def test_samples_may_start_anywhere_in_the_period():
    assert recovery_error(360, first=0.0123) < 1e-8


def test_samples_may_be_unevenly_spaced():
    truth = fourier(0.1, *FIVE_HARMONICS)
    tau = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    tau = tau + 0.3 * np.sin(tau)
    series = periodic_samples(tau, value(truth, tau))
    # Steps up to 1.3 times the even ones: (1.3)^4 times the error of 400 even samples.
    assert_allclose(series.coefficients, truth.coefficients, atol=2e-8)
    assert series.truncation < 1e-7


def test_samples_pass_through_what_was_measured():
    phase = np.radians([0, 40, 85, 130, 180, 220, 265, 310])
    measured = np.array([0.4, 0.3, 0.05, -0.2, -0.35, -0.3, -0.05, 0.25])
    series = periodic_samples(phase, measured)
    half_range = 0.5 * np.ptp(measured)
    assert_allclose(value(series, phase), measured, atol=1.1 * series.truncation * half_range)


def test_samples_equal_but_for_rounding_are_a_constant_without_truncation():
    measured = np.full(20, 3.0)
    measured[7] = np.nextafter(3.0, 4.0)
    series = periodic_samples(np.linspace(0.0, 6.0, 20), measured)
    assert_allclose(series.coefficients[0], 3.0, rtol=1e-14)
    assert series.truncation == 0.0


def test_samples_with_a_jump_own_up_to_the_truncation():
    tau = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
    # A unit saw tooth cut at H harmonics misses about half the jump at the jump.
    assert periodic_samples(tau, tau / (2.0 * np.pi)).truncation > 0.3


def test_samples_of_several_lanes_are_fitted_together():
    tau = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    both = np.stack([np.cos(tau), 2.0 * np.sin(tau)], axis=1)
    series = periodic_samples(tau, both)
    for lane in range(2):
        alone = periodic_samples(tau, both[:, lane])
        assert_allclose(series.coefficients[:, lane], alone.coefficients, atol=1e-14)


@pytest.mark.parametrize(
    "phase", [[0.0, 1.0], [0.0, 2.0, 1.0], [0.0, 1.0, 1.0], [0.0, 3.0, 2.0 * np.pi]]
)
def test_samples_out_of_order_or_beyond_a_period_are_refused(phase):
    with pytest.raises(ValueError, match="increasing phases within one period"):
        periodic_samples(phase, np.ones(len(phase)))


# --- linkage -----------------------------------------------------------------------------------


@st.composite
def crank_rockers(draw):
    """Lengths that satisfy Grashof's condition with room to spare."""
    crank = 0.02
    rocker = crank * draw(st.floats(1.5, 4.0))
    coupler = crank * draw(st.floats(1.5, 4.0))
    shortest, longest = abs(rocker - coupler) + crank, rocker + coupler - crank
    base = shortest + draw(st.floats(0.2, 0.8)) * (longest - shortest)
    return crank, rocker, coupler, base


def rocker_by_root_finding(turn, crank, rocker, coupler, base):
    """Rocker angle that closes the loop on the side above the base line."""
    pin = crank * np.exp(1j * turn)
    towards_pin = np.angle(base - pin) + np.pi

    def gap(angle):
        return abs(base + rocker * np.exp(1j * angle) - pin) - coupler

    return brentq(gap, towards_pin - np.pi, towards_pin, xtol=1e-14)


def crank_angle_at_top(lengths):
    turns = np.linspace(0.0, 2.0 * np.pi, 100)
    start = turns[np.argmax([rocker_by_root_finding(turn, *lengths) for turn in turns])]
    found = minimize_scalar(
        lambda turn: -rocker_by_root_finding(turn, *lengths),
        bounds=(start - 0.1, start + 0.1),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return found.x, -found.fun


@given(crank_rockers(), lags)
def test_linkage_angle_closes_the_loop(lengths, lag):
    series = linkage(*lengths, 0.1, lag)
    top_turn, top = crank_angle_at_top(lengths)
    half_range = 0.5 * np.ptp(value(series, np.linspace(0.0, 2.0 * np.pi, 400)))
    after_top = np.linspace(0.2, 6.0, 7)
    rocker = np.array([rocker_by_root_finding(top_turn + turn, *lengths) for turn in after_top])
    # Searching a maximum finds its place to the square root of rounding, 1e-7.
    assert_allclose(
        value(series, lag + after_top) - value(series, lag),
        rocker - top,
        atol=1e-6 + 2.0 * series.truncation * half_range,
    )


def test_linkage_rate_follows_from_the_velocities_of_its_pins():
    crank, rocker, _, base = lengths = (0.02, 0.05, 0.08, 0.09)
    top_turn, top = crank_angle_at_top(lengths)

    def velocity(tau, angle):
        # The coupler is rigid: both of its ends move equally fast along it.
        pin, end = crank * np.exp(1j * (top_turn + tau)), base + rocker * np.exp(1j * angle[0])
        rod = end - pin
        return [np.real(1j * pin * rod.conjugate()) / np.real(1j * (end - base) * rod.conjugate())]

    tau = np.linspace(0.0, 2.0 * np.pi, 9)
    path = solve_ivp(velocity, (0.0, 2.0 * np.pi), [top], t_eval=tau, rtol=1e-11, atol=1e-13)
    series = linkage(*lengths, 0.0, 0.0)
    change = value(series, tau) - value(series, 0.0)
    assert_allclose(change, path.y[0] - top, atol=1e-7)  # top_turn is known to 1e-8
    rate = evaluate(series.coefficients, tau)[1]
    expected = [velocity(at, [angle])[0] for at, angle in zip(tau, path.y[0], strict=True)]
    assert_allclose(rate, expected, atol=1e-6)


@given(crank_rockers(), lags)
def test_linkage_swings_evenly_about_the_mean_from_its_top(lengths, lag):
    series = linkage(*lengths, 0.3, lag)
    at_top, rate, acceleration = evaluate(series.coefficients, lag)
    tau = np.linspace(0.0, 2.0 * np.pi, 2000)
    swing = value(series, tau)
    slack = 2.0 * float(series.truncation) * np.ptp(swing) + 1e-12
    assert_allclose(rate, 0.0, atol=HARMONICS * slack)
    assert acceleration < 0.0
    assert np.max(swing) <= at_top + slack
    # The lowest of 2000 points lies within (step/2)^2/2 of the bottom's curvature, 1e-6 and some.
    assert_allclose(at_top + np.min(swing), 2 * 0.3, atol=slack + 2e-5)


@given(crank_rockers())
def test_linkage_strokes_last_as_the_dead_centres_lie(lengths):
    """Downstroke = crank turn from folded to stretched, pi less the angle between both lines."""
    crank, rocker, coupler, base = lengths

    def line_to_rocker_end(distance):
        return np.arccos((base**2 + distance**2 - rocker**2) / (2.0 * base * distance))

    down = np.pi + line_to_rocker_end(coupler + crank) - line_to_rocker_end(coupler - crank)
    series = linkage(*lengths, 0.0, 0.0)
    _, rate, acceleration = evaluate(series.coefficients, down)
    slack = 2.0 * float(series.truncation) * np.ptp(value(series, np.linspace(0.0, 6.3, 400)))
    assert_allclose(rate, 0.0, atol=HARMONICS * slack + 1e-11)
    assert acceleration > 0.0


@given(crank_rockers(), st.floats(0.1, 100.0))
def test_linkage_angle_does_not_depend_on_its_size(lengths, scale):
    small = linkage(*lengths, 0.0, 0.5)
    large = linkage(*(scale * length for length in lengths), 0.0, 0.5)
    assert_allclose(large.coefficients, small.coefficients, atol=1e-12)


@pytest.mark.parametrize(
    ("lengths", "offending"),
    [
        ((0.02, 0.05, 0.05, 0.09), ("crank", "base", "rocker", "coupler")),
        ((0.02, 0.05, 0.09, 0.05), ("crank", "coupler", "rocker", "base")),
        ((0.02, 0.09, 0.05, 0.05), ("crank", "rocker", "coupler", "base")),
        ((0.05, 0.02, 0.08, 0.09), ("crank", "base", "rocker", "coupler")),
        ((0.02, 0.02, 0.08, 0.08), ("crank", "base", "rocker", "coupler")),
        ((0.0, 0.05, 0.08, 0.09), ("crank",)),
        ((0.02, 0.05, 0.08, -0.09), ("base",)),
        ((0.02, np.nan, 0.08, 0.09), ("rocker",)),
    ],
    ids=[
        "base too long",
        "coupler too long",
        "rocker too long",
        "crank longer than rocker",
        "folds flat",
        "no crank",
        "negative base",
        "not a number",
    ],
)
def test_a_crank_that_cannot_turn_is_refused_by_name(lengths, offending):
    with pytest.raises(LinkageError) as caught:
        linkage(*lengths, 0.0, 0.0)
    assert caught.value.offending == offending
    assert all(name in str(caught.value) for name in offending)


def test_one_bad_linkage_of_a_batch_is_found():
    with pytest.raises(LinkageError, match=r"0\.11 m against 0\.1 m"):
        linkage(0.02, 0.05, np.array([0.08, 0.05]), 0.09, 0.0, 0.0)


def test_linkage_error_survives_the_way_to_another_process():
    with pytest.raises(LinkageError) as caught:
        linkage(0.02, 0.05, 0.05, 0.09, 0.0, 0.0)
    copy = pickle.loads(pickle.dumps(caught.value))
    assert str(copy) == str(caught.value)
    assert copy.offending == caught.value.offending
