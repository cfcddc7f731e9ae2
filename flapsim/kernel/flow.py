"""From schedules to the air each strip meets, and the shed wake's lag on it."""

from __future__ import annotations

import math

from flapsim.kernel import layout as at
from flapsim.kernel.compiled import compiled, inlined
from flapsim.kernel.elementary import decay, sine_cosine
from flapsim.kernel.lanes import put, row, select


@compiled
def evaluate_schedules(hinge, schedule, harmonics, phases, constant, steps):
    """Angles, rates and accelerations of all schedules, and the hinges' sines and cosines.

    ``schedule[row, coefficient]``; ``harmonics[row]`` the highest harmonic in use;
    ``phases[step, harmonic]`` its cosine and sine. Rates per second.
    """
    half = phases.shape[1] - 1
    count = 2 * half + 1
    turn = 2.0 * math.pi * row(constant, at.CONST_FREQUENCY)
    for which in range(at.SCHEDULES):
        first = which * count
        for n in range(steps):
            value, rate, acceleration = row(schedule, first), 0.0 * turn, 0.0 * turn
            for h in range(1, harmonics[which] + 1):
                c, s = phases[n, h, 0], phases[n, h, 1]
                x, y = row(schedule, first + h), row(schedule, first + half + h)
                omega = h * turn
                swing = x * c + y * s
                value += swing
                rate += omega * (y * c - x * s)
                acceleration -= omega * omega * swing
            o = n * at.HINGE_ROWS + 3 * which
            put(hinge, o, value)
            put(hinge, o + 1, rate)
            put(hinge, o + 2, acceleration)
    for n in range(steps):
        b = n * at.HINGE_ROWS
        s1, c1 = sine_cosine(row(hinge, b + 3 * at.PLUNGE_INNER))
        s2, c2 = sine_cosine(row(hinge, b + 3 * at.PLUNGE_OUTER))
        s3, c3 = sine_cosine(row(hinge, b + 3 * at.SWEEP_OUTER))
        put(hinge, b + at.HINGE_SIN_INNER, s1)
        put(hinge, b + at.HINGE_COS_INNER, c1)
        put(hinge, b + at.HINGE_SIN_RELATIVE, s2)
        put(hinge, b + at.HINGE_COS_RELATIVE, c2)
        put(hinge, b + at.HINGE_SIN_OUTER, s1 * c2 + c1 * s2)
        put(hinge, b + at.HINGE_COS_OUTER, c1 * c2 - s1 * s2)
        put(hinge, b + at.HINGE_SIN_SWEEP, s3)
        put(hinge, b + at.HINGE_COS_SWEEP, c3)


@inlined
def hinge_angles(hinge, b, segment):
    """Sines and cosines of a segment's plunge, its plunge from the segment before, and sweep.

    The inner segment has no segment before it and no sweep.
    """
    sp = row(hinge, b + at.HINGE_SIN_INNER)
    cp = row(hinge, b + at.HINGE_COS_INNER)
    s2, c2, sq, cq = 0.0, 1.0, 0.0, 1.0
    if segment == 1:
        sp = row(hinge, b + at.HINGE_SIN_OUTER)
        cp = row(hinge, b + at.HINGE_COS_OUTER)
        s2 = row(hinge, b + at.HINGE_SIN_RELATIVE)
        c2 = row(hinge, b + at.HINGE_COS_RELATIVE)
        sq = row(hinge, b + at.HINGE_SIN_SWEEP)
        cq = row(hinge, b + at.HINGE_COS_SWEEP)
    return sp, cp, s2, c2, sq, cq


@compiled
def segment_motion(motion, hinge, constant, segment, steps):
    """Everything about a segment's motion that is the same for all its strips.

    The inner segment is the outer one with no arm before it and no sweep.
    """
    outer = float(segment)
    root = at.TWIST_INNER_ROOT + segment * (at.TWIST_OUTER_ROOT - at.TWIST_INNER_ROOT)
    for n in range(steps):
        b = n * at.HINGE_ROWS
        t = (segment * steps + n) * at.SEG_ROWS
        v = row(constant, at.CONST_AIRSPEED)
        sin_air = row(constant, at.CONST_SIN_AIR)
        cos_air = row(constant, at.CONST_COS_AIR)
        tilt = row(constant, at.CONST_TILT)
        sin_tilt = row(constant, at.CONST_SIN_TILT)
        cos_tilt = row(constant, at.CONST_COS_TILT)
        heave_rate = row(hinge, b + 3 * at.HEAVE + 1)
        heave_acceleration = row(hinge, b + 3 * at.HEAVE + 2)
        hx, hz = -heave_rate * sin_tilt, heave_rate * cos_tilt
        hx_rate, hz_rate = -heave_acceleration * sin_tilt, heave_acceleration * cos_tilt
        ax, az = v * cos_air - hx, v * sin_air - hz

        plunge = b + 3 * at.PLUNGE_INNER
        relative = b + 3 * at.PLUNGE_OUTER
        sweep = b + 3 * at.SWEEP_OUTER
        arm = outer * row(constant, at.CONST_INNER_LENGTH)
        a = arm * row(hinge, plunge + 1)
        a_rate = arm * row(hinge, plunge + 2)
        relative_rate = outer * row(hinge, relative + 1)
        p_rate = row(hinge, plunge + 1) + relative_rate
        p_acceleration = row(hinge, plunge + 2) + outer * row(hinge, relative + 2)
        q_rate = outer * row(hinge, sweep + 1)
        q_acceleration = outer * row(hinge, sweep + 2)
        sp, cp, s2, c2, sq, cq = hinge_angles(hinge, b, segment)

        # Rates of sin p sin q, sin 2 sin q and their like.
        spq_rate = cp * p_rate * sq + sp * cq * q_rate
        s2q_rate = c2 * relative_rate * sq + s2 * cq * q_rate
        put(motion, t + at.SEG_X0, ax * cq - az * sp * sq + a * s2 * sq)
        put(motion, t + at.SEG_X1, -q_rate)
        put(motion, t + at.SEG_N0, az * cp - a * c2)
        put(motion, t + at.SEG_N1, -p_rate * cq)
        put(
            motion,
            t + at.SEG_X0_RATE,
            -hx_rate * cq
            - ax * sq * q_rate
            + hz_rate * sp * sq
            - az * spq_rate
            + a_rate * s2 * sq
            + a * s2q_rate,
        )
        put(motion, t + at.SEG_X1_RATE, -q_acceleration)
        put(
            motion,
            t + at.SEG_N0_RATE,
            -hz_rate * cp - az * sp * p_rate - a_rate * c2 + a * s2 * relative_rate,
        )
        put(motion, t + at.SEG_N1_RATE, -p_acceleration * cq + p_rate * sq * q_rate)
        put(motion, t + at.SEG_SPIN, p_rate * sq)
        put(motion, t + at.SEG_SPIN_RATE, p_acceleration * sq + p_rate * cq * q_rate)

        put(motion, t + at.SEG_VX0, hx * cq - hz * sp * sq - a * s2 * sq)
        put(motion, t + at.SEG_VN0, hz * cp + a * c2)
        put(motion, t + at.SEG_VS0, hx * sq + hz * sp * cq + a * s2 * cq)
        put(
            motion,
            t + at.SEG_VX0_RATE,
            hx_rate * cq
            - hx * sq * q_rate
            - hz_rate * sp * sq
            - hz * spq_rate
            - a_rate * s2 * sq
            - a * s2q_rate,
        )
        put(
            motion,
            t + at.SEG_VN0_RATE,
            hz_rate * cp - hz * sp * p_rate + a_rate * c2 - a * s2 * relative_rate,
        )
        put(
            motion,
            t + at.SEG_VS0_RATE,
            hx_rate * sq
            + hx * cq * q_rate
            + hz_rate * sp * cq
            + hz * (cp * p_rate * cq - sp * sq * q_rate)
            + a_rate * s2 * cq
            + a * (c2 * relative_rate * cq - s2 * sq * q_rate),
        )

        sin_up = row(constant, at.CONST_SIN_UP)
        cos_up = row(constant, at.CONST_COS_UP)
        put(motion, t + at.SEG_UP_X, -sin_up * cq - cos_up * sp * sq)
        put(motion, t + at.SEG_UP_N, cos_up * cp)

        o = b + 3 * root
        put(motion, t + at.SEG_TWIST_ROOT, row(hinge, o) - tilt)
        put(motion, t + at.SEG_TWIST_SPREAD, row(hinge, o + 3) - row(hinge, o))
        put(motion, t + at.SEG_TWIST_ROOT_RATE, row(hinge, o + 1))
        put(motion, t + at.SEG_TWIST_SPREAD_RATE, row(hinge, o + 4) - row(hinge, o + 1))
        put(motion, t + at.SEG_TWIST_ROOT_ACCELERATION, row(hinge, o + 2))
        put(motion, t + at.SEG_TWIST_SPREAD_ACCELERATION, row(hinge, o + 5) - row(hinge, o + 2))


@compiled
def strip_flow(flow, motion, parameter, constant, strip, options):
    """Air velocity at the twist axis, the downwash that makes circulation, and their rates.

    The normal velocity that makes circulation is that at 3/4 of the chord with the apparent-mass
    package, at 1/4 without it (either pairing closes the energy balance; a mixed one does not).
    """
    steps, reference = options.steps, 0.25 + 0.5 * options.apparent
    p = strip.number * at.PAR_ROWS
    r = row(parameter, p + at.PAR_DISTANCE)
    eta = row(parameter, p + at.PAR_FRACTION)
    chord = row(parameter, p + at.PAR_CHORD)
    camber = row(parameter, p + at.PAR_CAMBER)
    axis = row(constant, at.CONST_TWIST_AXIS)
    arm, half_way = (reference - axis) * chord, (0.5 - axis) * chord
    per_semichord = 2.0 / chord
    for n in range(steps):
        t = (strip.segment * steps + n) * at.SEG_ROWS
        x = row(motion, t + at.SEG_X0) + r * row(motion, t + at.SEG_X1)
        z = row(motion, t + at.SEG_N0) + r * row(motion, t + at.SEG_N1)
        x_rate = row(motion, t + at.SEG_X0_RATE) + r * row(motion, t + at.SEG_X1_RATE)
        z_rate = row(motion, t + at.SEG_N0_RATE) + r * row(motion, t + at.SEG_N1_RATE)
        twist = row(motion, t + at.SEG_TWIST_ROOT) + eta * row(motion, t + at.SEG_TWIST_SPREAD)
        twist_rate = row(motion, t + at.SEG_TWIST_ROOT_RATE) + eta * row(
            motion, t + at.SEG_TWIST_SPREAD_RATE
        )
        spin = twist_rate + row(motion, t + at.SEG_SPIN)
        spin_rate = (
            row(motion, t + at.SEG_TWIST_ROOT_ACCELERATION)
            + eta * row(motion, t + at.SEG_TWIST_SPREAD_ACCELERATION)
            + row(motion, t + at.SEG_SPIN_RATE)
        )
        sine, cosine = sine_cosine(twist)
        u = x * cosine - z * sine
        w = x * sine + z * cosine
        u_rate = x_rate * cosine - z_rate * sine - twist_rate * w
        w_rate = x_rate * sine + z_rate * cosine + twist_rate * u
        q = w + arm * spin + camber * u
        f = (strip.slot * steps + n) * at.FLOW_ROWS
        put(flow, f + at.FLOW_U, u)
        put(flow, f + at.FLOW_W, w)
        put(flow, f + at.FLOW_Q, q)
        put(flow, f + at.FLOW_Q_RATE, w_rate + arm * spin_rate + camber * u_rate)
        put(flow, f + at.FLOW_SEMICHORDS, per_semichord * math.sqrt(u * u + w * w))
        put(flow, f + at.FLOW_SPIN, spin)
        put(flow, f + at.FLOW_SPIN_RATE, spin_rate)
        put(flow, f + at.FLOW_MID_RATE, w_rate + half_way * spin_rate)
        put(flow, f + at.FLOW_SIN, sine)
        put(flow, f + at.FLOW_COS, cosine)
        put(flow, f + at.FLOW_Q_LAGGED, q)


@inlined
def _around(n, slot, steps):
    """Rows of a strip's instant and of those before, after and beyond, around the stroke."""
    before, after, beyond = (n + steps - 1) % steps, (n + 1) % steps, (n + 2) % steps
    first = slot * steps
    return (
        (first + before) * at.FLOW_ROWS,
        (first + n) * at.FLOW_ROWS,
        (first + after) * at.FLOW_ROWS,
        (first + beyond) * at.FLOW_ROWS,
    )


@inlined
def _semichords(flow, before, here, after, beyond, step):
    """Semichords travelled in a step and in its second half.

    Fourth order from the rates at four neighbouring instants; never negative.
    """
    f1, f2 = row(flow, here + at.FLOW_SEMICHORDS), row(flow, after + at.FLOW_SEMICHORDS)
    outside = row(flow, before + at.FLOW_SEMICHORDS) + row(flow, beyond + at.FLOW_SEMICHORDS)
    whole = max((1.0 / 24.0) * step * (13.0 * (f1 + f2) - outside), 0.0)
    second = min(max(0.5 * whole + 0.125 * step * (f2 - f1), 0.0), whole)
    return whole, second


@inlined
def _periodic_start(state, product, otherwise):
    """Starting state of a linear recurrence that returns to it after a stroke.

    ``state`` is the state after one stroke from zero, ``product`` the factor on the initial state.
    """
    left = 1.0 - product
    return select(left > 1e-12, state / left, otherwise)


@compiled
def wake_lag(flow, constant, poles, slot, steps):
    """Take the shed wake's lag from the downwash; the periodic state in closed form.

    ``q_lagged = q - sum z_i``, ``dz_i/dt = A_i dq/dt - b_i (ds/dt) z_i``. Over a step the forcing
    is integrated by Simpson's rule with its decay factors exact, which is fourth order and stays
    bounded for any step.
    """
    step = 1.0 / (row(constant, at.CONST_FREQUENCY) * steps)
    for pole in range(poles):
        share = (1.0 / 6.0) * step * row(constant, at.CONST_LAG_AMPLITUDE_1 + 2 * pole)
        fading = row(constant, at.CONST_LAG_RATE_1 + 2 * pole)
        state, product = 0.0 * step, 0.0 * step + 1.0
        for n in range(steps):
            f0, f1, f2, f3 = _around(n, slot, steps)
            whole, second = _semichords(flow, f0, f1, f2, f3, step)
            g1, g2 = row(flow, f1 + at.FLOW_Q_RATE), row(flow, f2 + at.FLOW_Q_RATE)
            outside = row(flow, f0 + at.FLOW_Q_RATE) + row(flow, f3 + at.FLOW_Q_RATE)
            four_middle = 0.25 * (9.0 * (g1 + g2) - outside)
            keep, half = decay(fading * whole), decay(fading * second)
            put(flow, f1 + at.FLOW_SCRATCH_1, state)
            put(flow, f1 + at.FLOW_SCRATCH_2, product)
            state = keep * state + share * (keep * g1 + half * four_middle + g2)
            product *= keep
        start = _periodic_start(state, product, 0.0)
        for n in range(steps):
            f = (slot * steps + n) * at.FLOW_ROWS
            taken = row(flow, f + at.FLOW_SCRATCH_1) + start * row(flow, f + at.FLOW_SCRATCH_2)
            put(flow, f + at.FLOW_Q_LAGGED, row(flow, f + at.FLOW_Q_LAGGED) - taken)


@compiled
def separation_lag(flow, constant, lag, slot, steps):
    """Let the attached length follow its steady value, ``lag`` semichords behind."""
    step = 1.0 / (row(constant, at.CONST_FREQUENCY) * steps)
    state, product = 0.0 * step, 0.0 * step + 1.0
    for n in range(steps):
        f0, f1, f2, f3 = _around(n, slot, steps)
        whole, _ = _semichords(flow, f0, f1, f2, f3, step)
        keep = decay(whole / lag)
        put(flow, f1 + at.FLOW_SCRATCH_3, state)
        put(flow, f1 + at.FLOW_SCRATCH_4, product)
        steady = 0.5 * (row(flow, f1 + at.FLOW_ATTACHED) + row(flow, f2 + at.FLOW_ATTACHED))
        state = keep * state + (1.0 - keep) * steady
        product *= keep
    standing = row(flow, slot * steps * at.FLOW_ROWS + at.FLOW_ATTACHED)
    start = _periodic_start(state, product, standing)
    for n in range(steps):
        f = (slot * steps + n) * at.FLOW_ROWS
        attached = row(flow, f + at.FLOW_SCRATCH_3) + start * row(flow, f + at.FLOW_SCRATCH_4)
        put(flow, f + at.FLOW_ATTACHED, attached)


@compiled
def set_wake_aside(flow, slot, steps):
    """Set aside what the shed wake takes from a strip's downwash."""
    for n in range(steps):
        f = (slot * steps + n) * at.FLOW_ROWS
        put(flow, f + at.FLOW_SCRATCH_1, row(flow, f + at.FLOW_Q) - row(flow, f + at.FLOW_Q_LAGGED))


@compiled
def restore_wake(flow, wake_kick, strip, slot, steps):
    """Apply the wake set aside to the disturbed downwash, with a departure of its own."""
    kick = row(wake_kick, strip)
    for n in range(steps):
        f = (slot * steps + n) * at.FLOW_ROWS
        taken = row(flow, f + at.FLOW_SCRATCH_1) + kick
        put(flow, f + at.FLOW_Q_LAGGED, row(flow, f + at.FLOW_Q) - taken)
