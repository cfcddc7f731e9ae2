"""The kernel's physics in plain numpy, vectorised over designs, steps and strips.

Fed the same packed numbers, in chunks that stay in the cache. It leaves out sweep, heave and higher
harmonics, which the question does not ask for, to its advantage.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.kernel import Batch
from flapsim.kernel import layout as at
from validation.speed.question import Means

Array = NDArray[np.float64]

CHUNK = 8
"""Designs a chunk: 200 kB an array, the fastest of 2 to 64 where it was tried."""

MOST_TRIALS = 60
CREEPING = 8


def by_numpy(batch: Batch) -> Means:
    """All designs of a batch by the yardstick, chunk by chunk."""
    designs = batch.constant.shape[1]
    parts = [_chunk(batch, slice(place, place + CHUNK)) for place in range(0, designs, CHUNK)]
    return Means(*(np.concatenate(column, axis=-1) for column in zip(*parts, strict=True)))


class _Motion(NamedTuple):
    """A schedule through the stroke, shape (designs, steps, 1)."""

    value: Array
    rate: Array
    acceleration: Array


def _schedule(batch: Batch, row: int, here: slice, omega: Array) -> _Motion:
    """First harmonic of one schedule: all that harmonic strokes have."""
    tau = 2.0 * np.pi * np.arange(batch.steps) / batch.steps
    half = (batch.schedule.shape[1] - 1) // 2
    mean, cosine, sine = (batch.schedule[row, i, here, None, None] for i in (0, 1, half + 1))
    c, s = np.cos(tau)[None, :, None], np.sin(tau)[None, :, None]
    swing = cosine * c + sine * s
    return _Motion(mean + swing, omega * (sine * c - cosine * s), -(omega**2) * swing)


class _Flow(NamedTuple):
    """Strips through the stroke, shape (designs, steps, strips)."""

    u: Array
    w: Array
    twist: Array
    spin: Array
    spin_rate: Array
    w_rate: Array
    u_rate: Array


def _segment_flow(
    along: Array, normal: Array, normal_rate: Array, eta: Array, root: _Motion, tip: _Motion
) -> _Flow:
    """Velocities in the section's own axes from those in the segment's."""
    twist = root.value + eta * (tip.value - root.value)
    spin = root.rate + eta * (tip.rate - root.rate)
    spin_rate = root.acceleration + eta * (tip.acceleration - root.acceleration)
    sine, cosine = np.sin(twist), np.cos(twist)
    u = along * cosine - normal * sine
    w = along * sine + normal * cosine
    return _Flow(
        u,
        w,
        twist,
        spin,
        spin_rate,
        normal_rate * cosine + spin * u,
        -normal_rate * sine - spin * w,
    )


def _chunk(batch: Batch, here: slice) -> Means:
    """One chunk of designs: kinematics, wake, induced velocity, loads, sums."""

    def constant(row: int) -> Array:
        return np.asarray(batch.constant[row, here, None, None])

    def strip(row: int) -> Array:
        return np.ascontiguousarray(batch.parameter[:, row, here].T[:, None, :])

    omega = 2.0 * np.pi * constant(at.CONST_FREQUENCY)
    motion = [_schedule(batch, row, here, omega) for row in range(at.SCHEDULES)]
    inner, outer = motion[at.PLUNGE_INNER], motion[at.PLUNGE_OUTER]
    both = _Motion(*(first + second for first, second in zip(inner, outer, strict=True)))
    speed, angle = constant(at.CONST_AIRSPEED), constant(at.CONST_AIR_ANGLE)
    along, up = speed * np.cos(angle), speed * np.sin(angle)
    arm = constant(at.CONST_INNER_LENGTH)
    r, eta = strip(at.PAR_DISTANCE), strip(at.PAR_FRACTION)
    first = batch.segment == 0
    place, beyond = np.flatnonzero(first), np.flatnonzero(~first)
    flows = [
        _segment_flow(
            along,
            up * np.cos(inner.value) - r[..., place] * inner.rate,
            -up * np.sin(inner.value) * inner.rate - r[..., place] * inner.acceleration,
            eta[..., place],
            motion[at.TWIST_INNER_ROOT],
            motion[at.TWIST_INNER_TIP],
        ),
        _segment_flow(
            along,
            up * np.cos(both.value)
            - arm * inner.rate * np.cos(outer.value)
            - r[..., beyond] * both.rate,
            -up * np.sin(both.value) * both.rate
            - arm
            * (
                inner.acceleration * np.cos(outer.value)
                - inner.rate * outer.rate * np.sin(outer.value)
            )
            - r[..., beyond] * both.acceleration,
            eta[..., beyond],
            motion[at.TWIST_OUTER_ROOT],
            motion[at.TWIST_OUTER_TIP],
        ),
    ]
    flow = _Flow(*(np.concatenate(pair, axis=-1) for pair in zip(*flows, strict=True)))

    chord, camber = strip(at.PAR_CHORD), strip(at.PAR_CAMBER)
    axis = constant(at.CONST_TWIST_AXIS)
    speed_squared = flow.u**2 + flow.w**2
    lever = (0.75 - axis) * chord
    downwash = flow.w + lever * flow.spin + camber * flow.u
    rate = flow.w_rate + lever * flow.spin_rate + camber * flow.u_rate
    lagged = downwash - _wake_state(
        rate,
        2.0 * np.sqrt(speed_squared) / chord,
        1.0 / (constant(at.CONST_FREQUENCY)[:, 0] * batch.steps),
        constant(at.CONST_LAG_AMPLITUDE_1)[:, 0],
        constant(at.CONST_LAG_RATE_1)[:, 0],
    )
    effective, attached = _effective_downwash(batch, here, flow, lagged, chord, camber)
    return _loads(batch, here, flow, downwash, effective, attached, speed_squared, inner, outer)


def _wake_state(rate: Array, semichords: Array, step: Array, amplitude: Array, b: Array) -> Array:
    """Periodic state of a one-exponential lag: a pass from rest, closed by its decay."""

    def around(values: Array) -> tuple[Array, Array, Array, Array]:
        return (
            np.roll(values, 1, axis=1),
            values,
            np.roll(values, -1, axis=1),
            np.roll(values, -2, axis=1),
        )

    h = step[:, None, :]
    f0, f1, f2, f3 = around(semichords)
    whole = np.maximum(h / 24.0 * (13.0 * (f1 + f2) - f0 - f3), 0.0)
    second = np.clip(0.5 * whole + 0.125 * h * (f2 - f1), 0.0, whole)
    g0, g1, g2, g3 = around(rate)
    middle = (9.0 * (g1 + g2) - g0 - g3) / 16.0
    keep = np.exp(-b[:, None, :] * whole)
    push = (
        amplitude[:, None, :]
        * h
        / 6.0
        * (keep * g1 + 4.0 * np.exp(-b[:, None, :] * second) * middle + g2)
    )
    state = np.empty_like(rate)
    left = np.empty_like(rate)
    now, product = np.zeros_like(rate[:, 0]), np.ones_like(rate[:, 0])
    for n in range(rate.shape[1]):
        state[:, n], left[:, n] = now, product
        now = keep[:, n] * now + push[:, n]
        product = product * keep[:, n]
    start = now / (1.0 - product)
    return state + start[:, None] * left


def _attached(sine: Array, u: Array, onset: Array, inverse: Array) -> Array:
    # Smooth step written from its far end, where it is a sum of what is not negative.
    rest = 1.0 - np.clip((np.abs(sine) - onset) * inverse, 0.0, 1.0)
    return np.where(u > 0.0, rest * rest * rest * (10.0 - rest * (15.0 - 6.0 * rest)), 0.0)


def _effective_downwash(
    batch: Batch, here: slice, flow: _Flow, lagged: Array, chord: Array, camber: Array
) -> tuple[Array, Array]:
    """Downwash with the induced velocity of Prandtl's slope, and the attached length."""

    def strip(row: int) -> Array:
        return np.ascontiguousarray(batch.parameter[:, row, here].T[:, None, :])

    onset, inverse = strip(at.PAR_ONSET), strip(at.PAR_INVERSE_RANGE)
    drag = strip(at.PAR_PLATE_DRAG)
    shape = lagged.shape
    k = np.broadcast_to(2.0 / batch.constant[at.CONST_ASPECT_RATIO, here, None, None], shape)
    quarter = 0.25 * chord * flow.spin

    def deficit(q: Array, place: tuple[Array, ...] | slice) -> tuple[Array, Array]:
        """Downwash whose circulation stall takes away, and the attached length."""

        def pick(values: Array) -> Array:
            return values if isinstance(place, slice) else np.broadcast_to(values, shape)[place]

        u = pick(flow.u)
        w = q - pick(camber) * u - pick(quarter)
        speed = np.sqrt(u * u + w * w)
        sine = w / speed
        f = _attached(sine, u, pick(onset), pick(inverse))
        weight = ((1.0 + np.sqrt(f)) ** 2 - 1.0) / 3.0
        lift = pick(drag) * sine * np.abs(u / speed) / (0.56 + 0.44 * np.abs(sine))
        separated = speed * lift / (2.0 * np.pi)
        return (1.0 - weight) * (q - separated), f

    q = lagged / (1.0 + k)
    lost, f = deficit(q, slice(None))
    place = np.nonzero(f < 1.0)
    if place[0].size == 0:
        return q, f
    # Secant rule on the strips and instants that stall, each left alone once it has settled.
    now, target, gain, losing = q[place], lagged[place], k[place], lost[place]
    slope = 1.0 + gain
    before = np.zeros_like(now)
    tolerance = 1e-12 * (np.abs(target) + np.abs(flow.u[place]))
    moving = np.ones(now.shape, dtype=bool)
    for trial in range(MOST_TRIALS):
        residual = (1.0 + gain) * now - target - gain * losing
        moving &= np.abs(residual) > tolerance
        if not moving.any():
            break
        if trial:
            change = np.divide(before - residual, before, np.ones_like(before), where=before != 0.0)
            least = 0.2 if trial < CREEPING else 0.02
            slope = np.clip(slope * change, least * (1.0 + gain), 1.0 + 2.0 * gain)
        now = np.where(moving, now - residual / slope, now)
        before = residual
        losing, _ = deficit(now, place)
    q[place] = now
    f[place] = deficit(now, place)[1]
    return q, f


def _loads(
    batch: Batch,
    here: slice,
    flow: _Flow,
    downwash: Array,
    effective: Array,
    attached: Array,
    speed_squared: Array,
    inner: _Motion,
    outer: _Motion,
) -> Means:
    """Loads of the strips and their sums over the half wing."""

    def constant(row: int) -> Array:
        return np.asarray(batch.constant[row, here, None, None])

    def strip(row: int) -> Array:
        return np.ascontiguousarray(batch.parameter[:, row, here].T[:, None, :])

    density, axis = constant(at.CONST_DENSITY), constant(at.CONST_TWIST_AXIS)
    chord, camber = strip(at.PAR_CHORD), strip(at.PAR_CAMBER)
    suction, width = strip(at.PAR_SUCTION), strip(at.PAR_WIDTH)
    u, spin = flow.u, flow.spin
    w_c = effective - camber * u
    w_m = w_c - 0.25 * chord * spin
    speed = np.sqrt(u * u + w_m * w_m)
    sine, cosine = w_m / speed, u / speed
    weight = ((1.0 + np.sqrt(attached)) ** 2 - 1.0) / 3.0
    k = weight * np.pi * density * chord
    reynolds = np.maximum(
        chord
        * np.sqrt(np.mean(speed_squared, axis=1, keepdims=True))
        / constant(at.CONST_VISCOSITY),
        1000.0,
    )
    friction = strip(at.PAR_FRICTION) * 0.91 / np.log10(reynolds) ** 2.58
    separated = (
        (1.0 - weight)
        * 0.5
        * density
        * chord
        * strip(at.PAR_PLATE_DRAG)
        * w_m
        * speed
        / (0.56 + 0.44 * np.abs(sine))
    )
    centre = 0.5 - 0.75 * cosine / (4.0 + np.pi * np.abs(sine))
    rub = 0.5 * density * chord * friction * speed * u
    virtual = 0.25 * np.pi * density * chord**2
    push = virtual * (flow.w_rate + (0.5 - axis) * chord * flow.spin_rate)
    turn = virtual * chord**2 / 32.0 * flow.spin_rate
    circulatory = k * u * effective
    bound = circulatory + separated
    normal = bound + push
    aft = rub - k * (suction * w_m**2 + camber * u * w_m)
    moment = (
        -circulatory * (0.25 - axis) * chord
        - separated * (centre - axis) * chord
        - 0.25 * k * chord * u * (camber * u + 0.25 * chord * spin)
        - push * (0.5 - axis) * chord
        - turn
    )
    profile = (
        k * (1.0 - suction) * u * w_m**2
        + separated * (w_c + (centre - 0.75) * chord * spin)
        + rub * u
    )
    wake = (
        (downwash - effective) * bound + push * (flow.w + (0.5 - axis) * chord * spin) + turn * spin
    )
    loss = normal * flow.w + aft * u - moment * spin

    sin_twist, cos_twist = np.sin(flow.twist), np.cos(flow.twist)
    along = width * (aft * cos_twist + normal * sin_twist)
    across = width * (normal * cos_twist - aft * sin_twist)
    first, second = batch.segment == 0, batch.segment == 1
    r, eta = strip(at.PAR_DISTANCE), strip(at.PAR_FRACTION)
    moment = width * moment

    def over(values: Array, segment: Array) -> Array:
        return np.sum(values[..., segment], axis=-1, keepdims=True)

    angle = constant(at.CONST_AIR_ANGLE)
    total = inner.value + outer.value
    forward = np.sum(along, axis=-1, keepdims=True)
    upward = over(across, first) * np.cos(inner.value) + over(across, second) * np.cos(total)
    lift = upward * np.cos(angle) - forward * np.sin(angle)
    thrust = -(forward * np.cos(angle) + upward * np.sin(angle))
    hinge = over(r * across, second)
    torques = [
        over(r * across, first)
        + hinge
        + constant(at.CONST_INNER_LENGTH) * over(across, second) * np.cos(outer.value),
        hinge,
        over((1.0 - eta) * moment, first),
        over(eta * moment, first),
        over((1.0 - eta) * moment, second),
        over(eta * moment, second),
    ]

    def mean(values: Array) -> Array:
        return np.asarray(np.mean(values, axis=(1, 2)))

    def summed(values: Array) -> Array:
        return mean(np.sum(width * values, axis=-1, keepdims=True))

    return Means(
        mean(lift),
        mean(thrust),
        mean(thrust * constant(at.CONST_AIRSPEED)) + summed(loss),
        summed(wake),
        summed(profile),
        np.stack([mean(values) for values in torques]),
    )
