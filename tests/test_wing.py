"""Strips: they fill the wing, carry its chord and mass, and integrate as Gauss promised."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from flapsim.case import Section, Segment, Wing
from flapsim.wing.strips import strips

PLAIN = Section(law="thin-airfoil")
RECTANGLE = Segment(length_m=0.3, chord_m=((0.0, 0.2), (1.0, 0.2)), skin_kg_m2=0.1, spar_kg_m=0.02)
TAPERED = Segment(
    length_m=0.4, chord_m=((0.0, 0.2), (0.5, 0.18), (1.0, 0.04)), strips=20, skin_kg_m2=0.05
)


def wing(inner=RECTANGLE, outer=None) -> Wing:
    return Wing(twist_axis=0.25, section=PLAIN, inner=inner, outer=outer)


@st.composite
def segments(draw):
    inside = draw(st.lists(st.floats(0.01, 0.99), max_size=4, unique=True))
    fractions = [0.0, *sorted(inside), 1.0]
    chords = [draw(st.floats(0.01, 0.5)) for _ in fractions]
    return Segment(
        length_m=draw(st.floats(0.05, 2.0)),
        chord_m=tuple(zip(fractions, chords, strict=True)),
        strips=draw(st.integers(2, 40)),
    )


@given(segments(), segments(), st.floats(0.0, 0.3))
def test_strips_fill_each_segment_from_hinge_to_end(inner, outer, offset):
    result = strips(wing(inner, outer), offset)
    for number, segment in enumerate((inner, outer)):
        own = result.segment == number
        assert np.count_nonzero(own) == segment.strips
        assert_allclose(np.sum(result.width[own]), segment.length_m, rtol=1e-12)
        assert np.all(result.width[own] > 0.0)
        assert_allclose(result.distance[own], result.fraction[own] * segment.length_m, rtol=1e-14)
    hinge = np.where(result.segment == 0, offset, offset + inner.length_m)
    assert_allclose(result.span_position, hinge + result.distance, rtol=1e-14)
    assert np.all(np.diff(result.span_position) > 0.0)
    assert result.span_position[0] > offset
    assert result.span_position[-1] < result.semispan
    assert_allclose(result.semispan, offset + inner.length_m + outer.length_m, rtol=1e-14)
    assert result.inner_length == inner.length_m


@given(segments(), segments())
def test_area_is_that_of_the_trapezoids_between_the_stations(inner, outer):
    half = 0.0
    for segment in (inner, outer):
        pairs = zip(segment.chord_m[:-1], segment.chord_m[1:], strict=True)
        for (start, root_chord), (end, tip_chord) in pairs:
            half += 0.5 * (root_chord + tip_chord) * (end - start) * segment.length_m
    result = strips(wing(inner, outer), 0.1)
    assert_allclose(result.area, 2.0 * half, rtol=1e-12)
    assert_allclose(result.aspect_ratio, (2.0 * result.semispan) ** 2 / result.area, rtol=1e-14)


def test_chord_is_linear_between_the_given_stations():
    result = strips(wing(outer=TAPERED), 0.0)
    outer = result.segment == 1
    eta = result.fraction[outer]
    expected = np.where(eta < 0.5, 0.2 - 0.04 * eta, 0.18 - 0.28 * (eta - 0.5))
    assert_allclose(result.chord[outer], expected, rtol=1e-13)
    assert_allclose(result.chord[~outer], 0.2, rtol=1e-15)


@pytest.mark.parametrize("count", [2, 5, 12, 200])
def test_strips_integrate_polynomials_up_to_gauss_degree(count):
    segment = Segment(length_m=1.0, chord_m=((0.0, 0.1), (1.0, 0.1)), strips=count)
    result = strips(wing(segment), 0.0)
    for degree in (0, 1, 2 * count - 1):
        integral = np.sum(result.width * result.distance**degree)
        assert_allclose(integral, 1.0 / (degree + 1), rtol=1e-11)


def test_a_straight_taper_is_integrated_exactly_by_few_strips():
    segment = Segment(length_m=0.5, chord_m=((0.0, 0.3), (1.0, 0.1)), strips=2)
    result = strips(wing(segment), 0.0)
    assert_allclose(2.0 * np.sum(result.width * result.chord), result.area, rtol=1e-14)


def test_mass_follows_the_segment():
    result = strips(wing(outer=TAPERED), 0.0)
    outer = result.segment == 1
    assert np.all(result.skin == np.where(outer, 0.05, 0.1))
    assert np.all(result.spar == np.where(outer, 0.0, 0.02))
    mass = np.sum(result.width * (result.skin * result.chord + result.spar))
    inner_mass = 0.3 * (0.1 * 0.2 + 0.02)
    # Twenty strips across one kink of the chord: area to 1e-3.
    assert_allclose(mass, inner_mass + 0.05 * 0.4 * (0.095 + 0.055), rtol=1e-3)


def test_a_one_segment_wing_is_all_inner():
    result = strips(wing(), 0.05)
    assert np.all(result.segment == 0)
    assert_allclose(result.semispan, 0.35, rtol=1e-15)
    assert_allclose(result.area, 2 * 0.3 * 0.2, rtol=1e-15)
    assert_allclose(result.aspect_ratio, 0.7**2 / 0.12, rtol=1e-14)
