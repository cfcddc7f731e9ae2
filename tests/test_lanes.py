"""A design gives the same bits wherever it lies in a batch and whatever lies beside it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flapsim.case import Case
from flapsim.case.columns import Designs
from flapsim.half_wing.pack import pack
from flapsim.kernel import Batch, Solution, solve
from flapsim.kernel.compiled import compiled
from flapsim.kernel.lanes import LANES, anywhere, both, either, fused, lanes_where, put, row, select
from tests.designs import GeneratorChooser, design, lattice

Array = np.ndarray

OPTIONS = [
    options
    for options in lattice(steps=16)
    if options["apparent_mass"] and options["wake_lag"] == "finite-wing"
]


def batch_of(case: Case, count: int, seed: int) -> Batch:
    """Designs about a case, from wholly attached to wholly stalled, in no order."""
    random = np.random.default_rng(seed)
    columns = {
        "flight.airspeed_m_s": random.uniform(0.0, 9.0, count),
        "flight.pitch_deg": random.permutation(np.linspace(-25.0, 60.0, count)),
        "stroke.frequency_hz": random.uniform(1.0, 6.0, count),
        "stroke.inner.plunge.amplitude_deg": random.uniform(0.0, 35.0, count),
    }
    if case.stroke.inner.plunge.shape in {"fourier", "linkage", "samples"}:
        del columns["stroke.inner.plunge.amplitude_deg"]
    return pack(Designs(case, columns)).batch


def picked(batch: Batch, at: list[int]) -> Batch:
    """Some designs of a batch, in the order asked for."""
    names = ("constant", "parameter", "schedule", "fit", "downwash")
    return batch._replace(
        **{name: np.ascontiguousarray(getattr(batch, name)[..., at]) for name in names}
    )


def assert_same_bits(whole: Solution, part: Solution, at: list[int]) -> None:
    for name, expected, found in zip(whole._fields, whole, part, strict=True):
        np.testing.assert_array_equal(expected[..., at], found, err_msg=name)


@pytest.mark.parametrize(
    "number",
    range(len(OPTIONS)),
    ids=lambda n: "-".join(str(OPTIONS[n][key]) for key in ("law", "induced", "wake", "stall")),
)
def test_a_design_gives_the_same_bits_in_any_lane_and_company(number: int) -> None:
    case = design(GeneratorChooser(np.random.default_rng(900 + number)), **OPTIONS[number])
    count = 3 * LANES - 3
    batch = batch_of(case, count, number)
    whole = solve(batch, series=True, fields=True)
    shuffled = np.random.default_rng(number).permutation(count).tolist()
    assert_same_bits(whole, solve(picked(batch, shuffled), series=True, fields=True), shuffled)
    for alone in range(0, count, 5):
        assert_same_bits(whole, solve(picked(batch, [alone]), series=True, fields=True), [alone])


def test_the_designs_compared_are_attached_and_stalled_side_by_side() -> None:
    stalled = []
    for number, options in enumerate(OPTIONS):
        if options["law"] == "thin-plate":
            case = design(GeneratorChooser(np.random.default_rng(900 + number)), **options)
            fields = solve(batch_of(case, 3 * LANES - 3, number), fields=True).fields
            stalled.append(np.mean(fields[:, :, 3] < 1.0, axis=(0, 1)))
    least, most = np.min(stalled), np.max(stalled)
    assert least < 0.1
    assert most > 0.9


def test_threads_do_not_change_a_bit() -> None:
    case = design(GeneratorChooser(np.random.default_rng(5)), **OPTIONS[6])
    batch = batch_of(case, 7 * LANES + 3, 5)
    whole = solve(batch, series=True, fields=True)
    assert_same_bits(
        whole, solve(batch, series=True, fields=True, threads=2), list(range(7 * LANES + 3))
    )


@compiled
def _by_lanes(first, second, out):
    a, b = row(first, 0), row(second, 0)
    put(out, 0, a + b)
    put(out, 1, 1.0 - a * 2 / b)
    put(out, 2, math.sqrt(abs(-a)))
    put(out, 3, min(max(a, b), 0.5))
    put(out, 4, select(both(a > 0.0, b <= a), a, -1.0))
    put(out, 5, select(either(a < -0.5, b >= 0.5), 1.0, b))
    put(out, 6, fused(a, b, 3.0))
    total = a
    total += 1.0
    total *= b
    total -= a
    total /= 4.0
    put(out, 7, total)
    return lanes_where(a > 0.0), anywhere(a > 2.0), anywhere(a > 0.0)


def test_arithmetic_on_lanes_is_arithmetic_on_each() -> None:
    random = np.random.default_rng(1)
    a, b = random.uniform(-1.0, 1.0, LANES), random.uniform(0.1, 1.0, LANES)
    out = np.zeros(8 * LANES)
    bits, beyond, positive = _by_lanes(a, b, out)
    expected = [
        a + b,
        1.0 - a * 2.0 / b,
        np.sqrt(np.abs(a)),
        np.minimum(np.maximum(a, b), 0.5),
        np.where((a > 0.0) & (b <= a), a, -1.0),
        np.where((a < -0.5) | (b >= 0.5), 1.0, b),
        a * b + 3.0,
        ((a + 1.0) * b - a) / 4.0,
    ]
    found = out.reshape(8, LANES)
    np.testing.assert_array_equal(np.delete(found, 6, axis=0), np.delete(expected, 6, axis=0))
    # Fused or not, at most one rounding apart.
    np.testing.assert_allclose(found[6], expected[6], rtol=2.3e-16)
    assert [bool(bits >> lane & 1) for lane in range(LANES)] == (a > 0.0).tolist()
    assert not beyond
    assert positive == bool(np.any(a > 0.0))


def test_select_and_fused_work_on_plain_numbers_too() -> None:
    @compiled
    def plain(x):
        return select(x > 1.0, fused(x, 2.0, 1.0), -x)

    assert plain(3.0) == 7.0
    assert plain(0.5) == -0.5
