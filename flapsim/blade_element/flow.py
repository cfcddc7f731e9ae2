"""From schedules to the air each strip meets, and the shed wake's lag on it."""

from __future__ import annotations

import math

from flapsim.aero.compiled import compiled, inlined
from flapsim.aero.elementary import decay, sine_cosine
from flapsim.blade_element.layout import (
    CONST_AIRSPEED,
    CONST_COS_AIR,
    CONST_COS_TILT,
    CONST_COS_UP,
    CONST_FREQUENCY,
    CONST_INNER_LENGTH,
    CONST_LAG_AMPLITUDE_1,
    CONST_LAG_RATE_1,
    CONST_SIN_AIR,
    CONST_SIN_TILT,
    CONST_SIN_UP,
    CONST_TILT,
    CONST_TWIST_AXIS,
    FLOW_COS,
    FLOW_MID_RATE,
    FLOW_Q,
    FLOW_Q_LAGGED,
    FLOW_Q_RATE,
    FLOW_ROWS,
    FLOW_SCRATCH_1,
    FLOW_SCRATCH_2,
    FLOW_SCRATCH_3,
    FLOW_SCRATCH_4,
    FLOW_SEMICHORDS,
    FLOW_SIN,
    FLOW_SPIN,
    FLOW_SPIN_RATE,
    FLOW_U,
    FLOW_W,
    HEAVE,
    HINGE_COS_INNER,
    HINGE_COS_OUTER,
    HINGE_COS_RELATIVE,
    HINGE_COS_SWEEP,
    HINGE_ROWS,
    HINGE_SIN_INNER,
    HINGE_SIN_OUTER,
    HINGE_SIN_RELATIVE,
    HINGE_SIN_SWEEP,
    LANES,
    OFFSET_MASK,
    PAR_CAMBER,
    PAR_CHORD,
    PAR_DISTANCE,
    PAR_FRACTION,
    PAR_ROWS,
    PLUNGE_INNER,
    PLUNGE_OUTER,
    SCHEDULES,
    SEG_N0,
    SEG_N0_RATE,
    SEG_N1,
    SEG_N1_RATE,
    SEG_ROWS,
    SEG_SPIN,
    SEG_SPIN_RATE,
    SEG_TWIST_ROOT,
    SEG_TWIST_ROOT_ACCELERATION,
    SEG_TWIST_ROOT_RATE,
    SEG_TWIST_SPREAD,
    SEG_TWIST_SPREAD_ACCELERATION,
    SEG_TWIST_SPREAD_RATE,
    SEG_UP_N,
    SEG_UP_X,
    SEG_VN0,
    SEG_VN0_RATE,
    SEG_VS0,
    SEG_VS0_RATE,
    SEG_VX0,
    SEG_VX0_RATE,
    SEG_X0,
    SEG_X0_RATE,
    SEG_X1,
    SEG_X1_RATE,
    SWEEP_OUTER,
    TWIST_INNER_ROOT,
    TWIST_OUTER_ROOT,
)

_L = LANES
_MASK = OFFSET_MASK


@compiled
def evaluate_schedules(hinge, schedule, harmonics, phases, constant, steps):
    """Angles, rates and accelerations of all schedules, and the hinges' sines and cosines.

    ``schedule[row, coefficient, lane]`` flat; ``harmonics[row]`` the highest harmonic in use;
    ``phases[step, 2 h + (0 cos, 1 sin)]`` flat. Rates per second.
    """
    count = schedule.size // (SCHEDULES * _L)
    half = (count - 1) // 2
    width = 2 * (half + 1)
    for row in range(SCHEDULES):
        a = (row * count * _L) & _MASK
        for n in range(steps):
            o = ((n * HINGE_ROWS + 3 * row) * _L) & _MASK
            for lane in range(_L):
                hinge[o + lane] = schedule[a + lane]
                hinge[o + _L + lane] = 0.0
                hinge[o + 2 * _L + lane] = 0.0
            for h in range(1, harmonics[row] + 1):
                c = phases[n * width + 2 * h]
                s = phases[n * width + 2 * h + 1]
                x0 = (a + h * _L) & _MASK
                y0 = (a + (half + h) * _L) & _MASK
                for lane in range(_L):
                    omega = h * 2.0 * math.pi * constant[CONST_FREQUENCY * _L + lane]
                    x, y = schedule[x0 + lane], schedule[y0 + lane]
                    value = x * c + y * s
                    hinge[o + lane] += value
                    hinge[o + _L + lane] += omega * (y * c - x * s)
                    hinge[o + 2 * _L + lane] -= omega * omega * value
    for n in range(steps):
        b = (n * HINGE_ROWS * _L) & _MASK
        for lane in range(_L):
            inner = hinge[b + 3 * PLUNGE_INNER * _L + lane]
            relative = hinge[b + 3 * PLUNGE_OUTER * _L + lane]
            s1, c1 = sine_cosine(inner)
            s2, c2 = sine_cosine(relative)
            s3, c3 = sine_cosine(hinge[b + 3 * SWEEP_OUTER * _L + lane])
            hinge[b + HINGE_SIN_INNER * _L + lane] = s1
            hinge[b + HINGE_COS_INNER * _L + lane] = c1
            hinge[b + HINGE_SIN_RELATIVE * _L + lane] = s2
            hinge[b + HINGE_COS_RELATIVE * _L + lane] = c2
            hinge[b + HINGE_SIN_OUTER * _L + lane] = s1 * c2 + c1 * s2
            hinge[b + HINGE_COS_OUTER * _L + lane] = c1 * c2 - s1 * s2
            hinge[b + HINGE_SIN_SWEEP * _L + lane] = s3
            hinge[b + HINGE_COS_SWEEP * _L + lane] = c3


@compiled
def segment_motion(motion, hinge, constant, segment, steps):
    """Everything about a segment's motion that is the same for all its strips.

    The inner segment is the outer one with no arm before it and no sweep.
    """
    outer = float(segment)
    root = TWIST_INNER_ROOT + segment * (TWIST_OUTER_ROOT - TWIST_INNER_ROOT)
    for n in range(steps):
        b = (n * HINGE_ROWS * _L) & _MASK
        t = ((segment * steps + n) * SEG_ROWS * _L) & _MASK
        for lane in range(_L):
            v = constant[CONST_AIRSPEED * _L + lane]
            sin_air = constant[CONST_SIN_AIR * _L + lane]
            cos_air = constant[CONST_COS_AIR * _L + lane]
            tilt = constant[CONST_TILT * _L + lane]
            sin_tilt = constant[CONST_SIN_TILT * _L + lane]
            cos_tilt = constant[CONST_COS_TILT * _L + lane]
            heave_rate = hinge[b + (3 * HEAVE + 1) * _L + lane]
            heave_acceleration = hinge[b + (3 * HEAVE + 2) * _L + lane]
            hx, hz = -heave_rate * sin_tilt, heave_rate * cos_tilt
            hx_rate, hz_rate = -heave_acceleration * sin_tilt, heave_acceleration * cos_tilt
            ax, az = v * cos_air - hx, v * sin_air - hz

            plunge = (3 * PLUNGE_INNER) * _L + lane
            relative = (3 * PLUNGE_OUTER) * _L + lane
            sweep = (3 * SWEEP_OUTER) * _L + lane
            arm = outer * constant[CONST_INNER_LENGTH * _L + lane]
            a = arm * hinge[b + plunge + _L]
            a_rate = arm * hinge[b + plunge + 2 * _L]
            relative_rate = outer * hinge[b + relative + _L]
            p_rate = hinge[b + plunge + _L] + relative_rate
            p_acceleration = hinge[b + plunge + 2 * _L] + outer * hinge[b + relative + 2 * _L]
            q_rate = outer * hinge[b + sweep + _L]
            q_acceleration = outer * hinge[b + sweep + 2 * _L]
            if segment == 0:
                sp = hinge[b + HINGE_SIN_INNER * _L + lane]
                cp = hinge[b + HINGE_COS_INNER * _L + lane]
                s2, c2, sq, cq = 0.0, 1.0, 0.0, 1.0
            else:
                sp = hinge[b + HINGE_SIN_OUTER * _L + lane]
                cp = hinge[b + HINGE_COS_OUTER * _L + lane]
                s2 = hinge[b + HINGE_SIN_RELATIVE * _L + lane]
                c2 = hinge[b + HINGE_COS_RELATIVE * _L + lane]
                sq = hinge[b + HINGE_SIN_SWEEP * _L + lane]
                cq = hinge[b + HINGE_COS_SWEEP * _L + lane]

            # Rates of sin p sin q, sin 2 sin q and their like.
            spq_rate = cp * p_rate * sq + sp * cq * q_rate
            s2q_rate = c2 * relative_rate * sq + s2 * cq * q_rate
            motion[t + SEG_X0 * _L + lane] = ax * cq - az * sp * sq + a * s2 * sq
            motion[t + SEG_X1 * _L + lane] = -q_rate
            motion[t + SEG_N0 * _L + lane] = az * cp - a * c2
            motion[t + SEG_N1 * _L + lane] = -p_rate * cq
            motion[t + SEG_X0_RATE * _L + lane] = (
                -hx_rate * cq
                - ax * sq * q_rate
                + hz_rate * sp * sq
                - az * spq_rate
                + a_rate * s2 * sq
                + a * s2q_rate
            )
            motion[t + SEG_X1_RATE * _L + lane] = -q_acceleration
            motion[t + SEG_N0_RATE * _L + lane] = (
                -hz_rate * cp - az * sp * p_rate - a_rate * c2 + a * s2 * relative_rate
            )
            motion[t + SEG_N1_RATE * _L + lane] = -p_acceleration * cq + p_rate * sq * q_rate
            motion[t + SEG_SPIN * _L + lane] = p_rate * sq
            motion[t + SEG_SPIN_RATE * _L + lane] = p_acceleration * sq + p_rate * cq * q_rate

            motion[t + SEG_VX0 * _L + lane] = hx * cq - hz * sp * sq - a * s2 * sq
            motion[t + SEG_VN0 * _L + lane] = hz * cp + a * c2
            motion[t + SEG_VS0 * _L + lane] = hx * sq + hz * sp * cq + a * s2 * cq
            motion[t + SEG_VX0_RATE * _L + lane] = (
                hx_rate * cq
                - hx * sq * q_rate
                - hz_rate * sp * sq
                - hz * spq_rate
                - a_rate * s2 * sq
                - a * s2q_rate
            )
            motion[t + SEG_VN0_RATE * _L + lane] = (
                hz_rate * cp - hz * sp * p_rate + a_rate * c2 - a * s2 * relative_rate
            )
            motion[t + SEG_VS0_RATE * _L + lane] = (
                hx_rate * sq
                + hx * cq * q_rate
                + hz_rate * sp * cq
                + hz * (cp * p_rate * cq - sp * sq * q_rate)
                + a_rate * s2 * cq
                + a * (c2 * relative_rate * cq - s2 * sq * q_rate)
            )

            sin_up = constant[CONST_SIN_UP * _L + lane]
            cos_up = constant[CONST_COS_UP * _L + lane]
            motion[t + SEG_UP_X * _L + lane] = -sin_up * cq - cos_up * sp * sq
            motion[t + SEG_UP_N * _L + lane] = cos_up * cp

            o = ((b + 3 * root * _L) & _MASK) + lane
            motion[t + SEG_TWIST_ROOT * _L + lane] = hinge[o] - tilt
            motion[t + SEG_TWIST_SPREAD * _L + lane] = hinge[o + 3 * _L] - hinge[o]
            motion[t + SEG_TWIST_ROOT_RATE * _L + lane] = hinge[o + _L]
            motion[t + SEG_TWIST_SPREAD_RATE * _L + lane] = hinge[o + 4 * _L] - hinge[o + _L]
            motion[t + SEG_TWIST_ROOT_ACCELERATION * _L + lane] = hinge[o + 2 * _L]
            motion[t + SEG_TWIST_SPREAD_ACCELERATION * _L + lane] = (
                hinge[o + 5 * _L] - hinge[o + 2 * _L]
            )


@compiled
def strip_flow(flow, motion, parameter, constant, segment, strip, slot, reference, steps):
    """Air velocity at the twist axis, the downwash that makes circulation, and their rates.

    ``reference`` is the chord fraction whose normal velocity makes circulation: 3/4 with the
    apparent-mass package, 1/4 without it (either pairing closes the energy balance; a mixed one
    does not).
    """
    p = (strip * PAR_ROWS * _L) & _MASK
    for n in range(steps):
        t = ((segment * steps + n) * SEG_ROWS * _L) & _MASK
        f = ((slot * steps + n) * FLOW_ROWS * _L) & _MASK
        for lane in range(_L):
            r = parameter[p + PAR_DISTANCE * _L + lane]
            eta = parameter[p + PAR_FRACTION * _L + lane]
            chord = parameter[p + PAR_CHORD * _L + lane]
            camber = parameter[p + PAR_CAMBER * _L + lane]
            axis = constant[CONST_TWIST_AXIS * _L + lane]
            x = motion[t + SEG_X0 * _L + lane] + r * motion[t + SEG_X1 * _L + lane]
            z = motion[t + SEG_N0 * _L + lane] + r * motion[t + SEG_N1 * _L + lane]
            x_rate = motion[t + SEG_X0_RATE * _L + lane] + r * motion[t + SEG_X1_RATE * _L + lane]
            z_rate = motion[t + SEG_N0_RATE * _L + lane] + r * motion[t + SEG_N1_RATE * _L + lane]
            twist = (
                motion[t + SEG_TWIST_ROOT * _L + lane]
                + eta * motion[t + SEG_TWIST_SPREAD * _L + lane]
            )
            twist_rate = (
                motion[t + SEG_TWIST_ROOT_RATE * _L + lane]
                + eta * motion[t + SEG_TWIST_SPREAD_RATE * _L + lane]
            )
            spin = twist_rate + motion[t + SEG_SPIN * _L + lane]
            spin_rate = (
                motion[t + SEG_TWIST_ROOT_ACCELERATION * _L + lane]
                + eta * motion[t + SEG_TWIST_SPREAD_ACCELERATION * _L + lane]
                + motion[t + SEG_SPIN_RATE * _L + lane]
            )
            sine, cosine = sine_cosine(twist)
            u = x * cosine - z * sine
            w = x * sine + z * cosine
            u_rate = x_rate * cosine - z_rate * sine - twist_rate * w
            w_rate = x_rate * sine + z_rate * cosine + twist_rate * u
            arm = (reference - axis) * chord
            flow[f + FLOW_U * _L + lane] = u
            flow[f + FLOW_W * _L + lane] = w
            flow[f + FLOW_Q * _L + lane] = w + arm * spin + camber * u
            flow[f + FLOW_Q_RATE * _L + lane] = w_rate + arm * spin_rate + camber * u_rate
            flow[f + FLOW_SEMICHORDS * _L + lane] = 2.0 * math.sqrt(u * u + w * w) / chord
            flow[f + FLOW_SPIN * _L + lane] = spin
            flow[f + FLOW_SPIN_RATE * _L + lane] = spin_rate
            flow[f + FLOW_MID_RATE * _L + lane] = w_rate + (0.5 - axis) * chord * spin_rate
            flow[f + FLOW_SIN * _L + lane] = sine
            flow[f + FLOW_COS * _L + lane] = cosine
            flow[f + FLOW_Q_LAGGED * _L + lane] = w + arm * spin + camber * u


@inlined
def semichords(before, here, after, beyond, step):
    """Semichords travelled in a step and in its second half.

    Fourth order from the rates at four neighbouring instants; never negative.
    """
    whole = max(step * (13.0 * (here + after) - before - beyond) * (1.0 / 24.0), 0.0)
    second = min(max(0.5 * whole + 0.125 * step * (after - here), 0.0), whole)
    return whole, second


@compiled
def wake_lag(flow, constant, work, poles, slot, steps):
    """Take the shed wake's lag from the downwash; the periodic state in closed form.

    Notes
    -----
    ``q_lagged = q - sum z_i``, ``dz_i/dt = A_i dq/dt - b_i (ds/dt) z_i``. Over a step the forcing
    is integrated by Simpson's rule with its decay factors exact, which is fourth order and stays
    bounded for any step. ``work`` holds two rows of lanes.
    """
    block = FLOW_ROWS * _L
    base = slot * steps * block
    for pole in range(poles):
        row_amplitude = (CONST_LAG_AMPLITUDE_1 + 2 * pole) * _L
        row_rate = (CONST_LAG_RATE_1 + 2 * pole) * _L
        for lane in range(_L):
            work[lane] = 0.0
            work[_L + lane] = 1.0
        for n in range(steps):
            f0 = (base + ((n - 1) % steps) * block) & _MASK
            f1 = (base + n * block) & _MASK
            f2 = (base + ((n + 1) % steps) * block) & _MASK
            f3 = (base + ((n + 2) % steps) * block) & _MASK
            for lane in range(_L):
                step = 1.0 / (constant[CONST_FREQUENCY * _L + lane] * steps)
                amplitude = constant[row_amplitude + lane]
                rate = constant[row_rate + lane]
                whole, second = semichords(
                    flow[f0 + FLOW_SEMICHORDS * _L + lane],
                    flow[f1 + FLOW_SEMICHORDS * _L + lane],
                    flow[f2 + FLOW_SEMICHORDS * _L + lane],
                    flow[f3 + FLOW_SEMICHORDS * _L + lane],
                    step,
                )
                g0 = flow[f0 + FLOW_Q_RATE * _L + lane]
                g1 = flow[f1 + FLOW_Q_RATE * _L + lane]
                g2 = flow[f2 + FLOW_Q_RATE * _L + lane]
                g3 = flow[f3 + FLOW_Q_RATE * _L + lane]
                middle = (9.0 * (g1 + g2) - g0 - g3) * 0.0625
                keep = decay(rate * whole)
                half = decay(rate * second)
                flow[f1 + FLOW_SCRATCH_1 * _L + lane] = work[lane]
                flow[f1 + FLOW_SCRATCH_2 * _L + lane] = work[_L + lane]
                work[lane] = keep * work[lane] + amplitude * step * (1.0 / 6.0) * (
                    keep * g1 + 4.0 * half * middle + g2
                )
                work[_L + lane] *= keep
        for lane in range(_L):
            left = 1.0 - work[_L + lane]
            work[lane] = work[lane] / left if left > 1e-12 else 0.0
        for n in range(steps):
            f1 = (base + n * block) & _MASK
            for lane in range(_L):
                flow[f1 + FLOW_Q_LAGGED * _L + lane] -= (
                    flow[f1 + FLOW_SCRATCH_1 * _L + lane]
                    + work[lane] * flow[f1 + FLOW_SCRATCH_2 * _L + lane]
                )


@compiled
def separation_lag(flow, constant, work, lag, row, slot, steps):
    """Let the attached length in ``row`` follow its steady value, ``lag`` semichords behind."""
    block = FLOW_ROWS * _L
    base = slot * steps * block
    for lane in range(_L):
        work[lane] = 0.0
        work[_L + lane] = 1.0
    for n in range(steps):
        f0 = (base + ((n - 1) % steps) * block) & _MASK
        f1 = (base + n * block) & _MASK
        f2 = (base + ((n + 1) % steps) * block) & _MASK
        f3 = (base + ((n + 2) % steps) * block) & _MASK
        for lane in range(_L):
            whole, _ = semichords(
                flow[f0 + FLOW_SEMICHORDS * _L + lane],
                flow[f1 + FLOW_SEMICHORDS * _L + lane],
                flow[f2 + FLOW_SEMICHORDS * _L + lane],
                flow[f3 + FLOW_SEMICHORDS * _L + lane],
                1.0 / (constant[CONST_FREQUENCY * _L + lane] * steps),
            )
            keep = decay(whole / lag)
            flow[f1 + FLOW_SCRATCH_3 * _L + lane] = work[lane]
            flow[f1 + FLOW_SCRATCH_4 * _L + lane] = work[_L + lane]
            work[lane] = keep * work[lane] + (1.0 - keep) * 0.5 * (
                flow[f1 + row * _L + lane] + flow[f2 + row * _L + lane]
            )
            work[_L + lane] *= keep
    for lane in range(_L):
        left = 1.0 - work[_L + lane]
        work[lane] = work[lane] / left if left > 1e-12 else flow[base + row * _L + lane]
    for n in range(steps):
        f1 = (base + n * block) & _MASK
        for lane in range(_L):
            flow[f1 + row * _L + lane] = (
                flow[f1 + FLOW_SCRATCH_3 * _L + lane]
                + work[lane] * flow[f1 + FLOW_SCRATCH_4 * _L + lane]
            )


@compiled
def hold_wake(flow, slot, steps):
    """Set aside what the shed wake takes from a strip's downwash."""
    for n in range(steps):
        f = ((slot * steps + n) * FLOW_ROWS * _L) & _MASK
        for lane in range(_L):
            flow[f + FLOW_SCRATCH_1 * _L + lane] = (
                flow[f + FLOW_Q * _L + lane] - flow[f + FLOW_Q_LAGGED * _L + lane]
            )


@compiled
def release_wake(flow, wake_kick, slot, steps):
    """Let the wake set aside act on the disturbed downwash, with a departure of its own."""
    for n in range(steps):
        f = ((slot * steps + n) * FLOW_ROWS * _L) & _MASK
        for lane in range(_L):
            flow[f + FLOW_Q_LAGGED * _L + lane] = (
                flow[f + FLOW_Q * _L + lane]
                - flow[f + FLOW_SCRATCH_1 * _L + lane]
                - wake_kick[lane]
            )
