"""From effective velocities to loads: one strip, a segment, the half wing."""

from __future__ import annotations

import math

from flapsim.kernel import layout as at
from flapsim.kernel.circulation import table_coefficients, table_lift
from flapsim.kernel.compiled import compiled, inlined
from flapsim.kernel.flow import hinge_angles
from flapsim.kernel.lanes import LANES, anywhere, put, row, select
from flapsim.kernel.section import (
    TABLE,
    attached_weight,
    plate_centre_of_pressure,
    plate_separated,
)

_TOTALS = (
    (at.SERIES_TOTAL_LIFT, at.SERIES_LIFT),
    (at.SERIES_TOTAL_THRUST, at.SERIES_THRUST),
    (at.SERIES_TOTAL_PITCH, at.SERIES_PITCH),
    (at.SERIES_TOTAL_POWER, at.SERIES_POWER),
)
"""Rows of the half wing that are the sum of a row of both segments."""


@inlined
def _separated_plate(density, chord, u, w, f, drag):
    """Weight of the attached flow; force, its place and circulation of the separated one."""
    weight, separated, centre, bound = 0.0 * u + 1.0, 0.0 * u, 0.0 * u, 0.0 * u
    # Most strips are attached most of the time and skip this.
    separates = f < 1.0
    if anywhere(separates):
        # A lagged length may exceed 1 by rounding; it must then not depend on its neighbours.
        weight = select(separates, attached_weight(f), 1.0)
        lost = 1.0 - weight
        speed = math.sqrt(u * u + w * w) + 1e-300
        force, circulation = plate_separated(u, w, drag)
        separated = lost * 0.5 * density * chord * force
        centre = plate_centre_of_pressure(w / speed, u / speed)
        bound = lost * circulation
    return weight, separated, centre, bound


@inlined
def _plate_loads(
    density, chord, u, q, q_c, f, spin, camber, suction, plate_drag, friction, axis, apparent
):
    """Forces, moment and losses of a thin plate or airfoil, without apparent mass.

    Returns normal force, aft force, nose-up moment about the twist axis, wake loss, profile loss
    (all per metre), circulation, and the speed that the incidence goes by.
    """
    reference = 0.25 + 0.5 * apparent
    quarter = 0.25 * chord * spin
    w_c = q_c - camber * u
    w_m = w_c - apparent * quarter
    w_camber = w_c + (1.0 - 2.0 * apparent) * quarter
    speed = math.sqrt(u * u + w_m * w_m)
    weight, separated, centre, bound = _separated_plate(density, chord, u, w_m, f, plate_drag)
    k = weight * math.pi * density * chord
    circulatory = k * u * q_c
    rub = 0.5 * density * chord * friction * speed * u
    normal = circulatory + separated
    aft = rub - k * (suction * w_m * w_m + camber * u * w_camber)
    moment = (
        -circulatory * (0.25 - axis) * chord
        - separated * (centre - axis) * chord
        - 0.25 * k * chord * u * (camber * u + apparent * quarter)
    )
    profile = (
        k * (1.0 - suction) * u * w_m * w_m
        + separated * (w_c + (centre - reference) * chord * spin)
        + rub * u
    )
    wake = (q - q_c) * normal
    bound = math.pi * chord * (weight * q_c + bound)
    return normal, aft, moment, wake, profile, bound, speed


@inlined
def _table_loads(density, chord, u, q, w_c, spin, lift, drag, moment, axis, apparent):
    """The same for a section table, whose coefficients are given."""
    speed = math.sqrt(u * u + w_c * w_c)
    half = apparent * 0.5 * chord * spin
    bound = 0.5 * chord * speed * lift
    resist = 0.5 * density * chord * speed * drag
    pitching = 0.5 * density * chord * chord * speed * speed * moment
    turning = apparent * math.pi / 16.0 * density * chord * chord * chord * spin
    normal = density * bound * u + resist * w_c
    aft = -density * bound * (w_c - half) + resist * u - turning * spin
    about_axis = -normal * (0.25 - axis) * chord + pitching - turning * u
    profile = resist * (u * u + w_c * (w_c - half)) - pitching * spin
    wake = (q - w_c) * normal
    return normal, aft, about_axis, wake, profile, bound, speed


@inlined
def _look_up_coefficients(flow, f, strip, lookup, lags):
    """Lift, drag and moment coefficient of a section table, lane by lane."""
    values, table_first, table_blend = lookup
    for lane in range(LANES):
        first, blend = table_first[strip * LANES + lane], table_blend[strip * LANES + lane]
        u = flow[(f + at.FLOW_U) * LANES + lane]
        alpha = math.atan2(flow[(f + at.FLOW_Q_CIRCULATION) * LANES + lane], u)
        attached = flow[(f + at.FLOW_ATTACHED) * LANES + lane]
        lift = table_lift(values, first, blend, alpha, attached, lags)
        drag, moment = table_coefficients(values, first, blend, alpha)
        flow[(f + at.FLOW_SCRATCH_1) * LANES + lane] = lift
        flow[(f + at.FLOW_SCRATCH_2) * LANES + lane] = drag
        flow[(f + at.FLOW_SCRATCH_3) * LANES + lane] = moment
    return (
        row(flow, f + at.FLOW_SCRATCH_1),
        row(flow, f + at.FLOW_SCRATCH_2),
        row(flow, f + at.FLOW_SCRATCH_3),
    )


@compiled
def strip_loads(flow, sums, parameter, constant, friction, verdict, strip, options, lookup):
    """Loads of one strip through the stroke, added to the sums of its segment."""
    apparent, steps = options.apparent, options.steps
    p = strip.number * at.PAR_ROWS
    density, axis = row(constant, at.CONST_DENSITY), row(constant, at.CONST_TWIST_AXIS)
    chord, width = row(parameter, p + at.PAR_CHORD), row(parameter, p + at.PAR_WIDTH)
    r, eta = row(parameter, p + at.PAR_DISTANCE), row(parameter, p + at.PAR_FRACTION)
    half_way = (0.5 - axis) * chord
    virtual = apparent * 0.25 * math.pi * density * chord * chord
    virtual_turn = virtual * chord * chord * (1.0 / 32.0)
    camber, suction = row(parameter, p + at.PAR_CAMBER), row(parameter, p + at.PAR_SUCTION)
    plate_drag, rough = row(parameter, p + at.PAR_PLATE_DRAG), row(friction, strip.number)
    worst_u = row(verdict, at.BLOCK_INCIDENCE_U)
    worst_speed = row(verdict, at.BLOCK_INCIDENCE_SPEED)
    for n in range(steps):
        f = (strip.slot * steps + n) * at.FLOW_ROWS
        u, w = row(flow, f + at.FLOW_U), row(flow, f + at.FLOW_W)
        q, q_c = row(flow, f + at.FLOW_Q), row(flow, f + at.FLOW_Q_CIRCULATION)
        attached, spin = row(flow, f + at.FLOW_ATTACHED), row(flow, f + at.FLOW_SPIN)
        if strip.law == TABLE:
            lift, drag, pitching = _look_up_coefficients(
                flow, f, strip.number, lookup, options.lags
            )
            normal, aft, moment, wake, profile, bound, speed = _table_loads(
                density, chord, u, q, q_c, spin, lift, drag, pitching, axis, apparent
            )
        else:
            normal, aft, moment, wake, profile, bound, speed = _plate_loads(
                density,
                chord,
                u,
                q,
                q_c,
                attached,
                spin,
                camber,
                suction,
                plate_drag,
                rough,
                axis,
                apparent,
            )
        push = virtual * row(flow, f + at.FLOW_MID_RATE)
        turn = virtual_turn * row(flow, f + at.FLOW_SPIN_RATE)
        normal += push
        moment -= push * half_way + turn
        stored = push * (w + half_way * spin) + turn * spin
        sine, cosine = row(flow, f + at.FLOW_SIN), row(flow, f + at.FLOW_COS)
        fx = width * (aft * cosine + normal * sine)
        fn = width * (normal * cosine - aft * sine)
        about = width * moment
        t = (strip.segment * steps + n) * at.SUM_ROWS
        _add(sums, t + at.SUM_FX, fx)
        _add(sums, t + at.SUM_FN, fn)
        _add(sums, t + at.SUM_RFX, r * fx)
        _add(sums, t + at.SUM_RFN, r * fn)
        _add(sums, t + at.SUM_M, about)
        _add(sums, t + at.SUM_ETA_M, eta * about)
        _add(sums, t + at.SUM_LOSS, width * (normal * w + aft * u - moment * spin))
        _add(sums, t + at.SUM_WAKE, width * (wake + stored))
        _add(sums, t + at.SUM_PROFILE, width * profile)
        _add(sums, t + at.SUM_STALLED, select(attached < 0.5, width * chord, 0.0))
        # Smaller cosine of the incidence, without dividing by the speed.
        worse = u * worst_speed < worst_u * speed
        worst_u = select(worse, u, worst_u)
        worst_speed = select(worse, speed, worst_speed)
        if options.keep:
            put(flow, f + at.FLOW_NORMAL, normal)
            put(flow, f + at.FLOW_AFT, aft)
            put(flow, f + at.FLOW_MOMENT, moment)
            put(flow, f + at.FLOW_CIRCULATION, bound)
    put(verdict, at.BLOCK_INCIDENCE_U, worst_u)
    put(verdict, at.BLOCK_INCIDENCE_SPEED, worst_speed)


@inlined
def _add(array, index, value):
    """Add to a row."""
    put(array, index, row(array, index) + value)


@compiled
def strip_inertia(flow, motion, sums, parameter, constant, strip, steps):
    """Rate of kinetic energy of one strip and the moment of its mass about the twist axis.

    The spar lies on the twist axis, the skin evenly over the chord. Energies are sums of squares
    of components, so their rates need no terms for the turning frame.
    """
    p = strip.number * at.PAR_ROWS
    for n in range(steps):
        t = (strip.segment * steps + n) * at.SEG_ROWS
        f = (strip.slot * steps + n) * at.FLOW_ROWS
        o = (strip.segment * steps + n) * at.SUM_ROWS
        r = row(parameter, p + at.PAR_DISTANCE)
        eta = row(parameter, p + at.PAR_FRACTION)
        chord = row(parameter, p + at.PAR_CHORD)
        skin = row(parameter, p + at.PAR_SKIN)
        spar = row(parameter, p + at.PAR_SPAR)
        arm = (0.5 - row(constant, at.CONST_TWIST_AXIS)) * chord
        sine = row(flow, f + at.FLOW_SIN)
        cosine = row(flow, f + at.FLOW_COS)
        spin = row(flow, f + at.FLOW_SPIN)
        spin_rate = row(flow, f + at.FLOW_SPIN_RATE)
        twist_rate = row(motion, t + at.SEG_TWIST_ROOT_RATE) + eta * row(
            motion, t + at.SEG_TWIST_SPREAD_RATE
        )
        vx = row(motion, t + at.SEG_VX0) - r * row(motion, t + at.SEG_X1)
        vn = row(motion, t + at.SEG_VN0) - r * row(motion, t + at.SEG_N1)
        vs = row(motion, t + at.SEG_VS0)
        vx_rate = row(motion, t + at.SEG_VX0_RATE) - r * row(motion, t + at.SEG_X1_RATE)
        vn_rate = row(motion, t + at.SEG_VN0_RATE) - r * row(motion, t + at.SEG_N1_RATE)
        vs_rate = row(motion, t + at.SEG_VS0_RATE)
        # Components along chord and normal, and the turning about the section's normal.
        along = vx * cosine - vn * sine
        across = vx * sine + vn * cosine
        along_rate = vx_rate * cosine - vn_rate * sine - twist_rate * across
        across_rate = vx_rate * sine + vn_rate * cosine + twist_rate * along
        yawing = -row(motion, t + at.SEG_N1) * sine + row(motion, t + at.SEG_X1) * cosine
        yawing_rate = (
            -row(motion, t + at.SEG_N1_RATE) * sine
            + row(motion, t + at.SEG_X1_RATE) * cosine
            - twist_rate * (row(motion, t + at.SEG_N1) * cosine + row(motion, t + at.SEG_X1) * sine)
        )
        middle_s, middle_s_rate = vs + arm * yawing, vs_rate + arm * yawing_rate
        middle_n, middle_n_rate = across - arm * spin, across_rate - arm * spin_rate
        gyration = chord * chord * (1.0 / 12.0)
        on_axis = vx * vx_rate + vn * vn_rate + vs * vs_rate
        of_skin = (
            along * along_rate
            + middle_s * middle_s_rate
            + middle_n * middle_n_rate
            + gyration * (yawing * yawing_rate + spin * spin_rate)
        )
        width = row(parameter, p + at.PAR_WIDTH)
        _add(sums, o + at.SUM_INERTIAL, width * (spar * on_axis + skin * chord * of_skin))
        gravity = row(constant, at.CONST_GRAVITY)
        # Moment of inertia and weight about the twist axis: only the skin lies off it.
        spin_hinge = row(motion, t + at.SEG_SPIN)
        lift_x = (
            vx_rate
            + spin_hinge * vn
            - row(motion, t + at.SEG_X1) * vs
            + gravity * row(motion, t + at.SEG_UP_X)
        )
        lift_n = (
            vn_rate
            - row(motion, t + at.SEG_N1) * vs
            - spin_hinge * vx
            + gravity * row(motion, t + at.SEG_UP_N)
        )
        rolling = -row(motion, t + at.SEG_N1) * cosine - row(motion, t + at.SEG_X1) * sine
        mass = skin * chord
        moment = mass * arm * (lift_x * sine + lift_n * cosine) + mass * (gyration + arm * arm) * (
            rolling * yawing - spin_rate
        )
        _add(sums, o + at.SUM_MASS_M, width * moment)
        _add(sums, o + at.SUM_ETA_MASS_M, width * eta * moment)


@compiled
def half_wing_series(series, sums, hinge, constant, segments, steps):
    """Forces, moments, powers and torques of the half wing at every step.

    Forces along lift, thrust and starboard; moments about the origin of the design axes.
    """
    for n in range(steps):
        b = n * at.HINGE_ROWS
        o = n * at.SERIES_ROWS
        for which in range(at.SERIES_ROWS):
            put(series, o + which, 0.0)
        for segment in range(segments):
            t = (segment * steps + n) * at.SUM_ROWS
            k = o + segment * at.SEGMENT_SERIES
            sin_air = row(constant, at.CONST_SIN_AIR)
            cos_air = row(constant, at.CONST_COS_AIR)
            sin_tilt = row(constant, at.CONST_SIN_TILT)
            cos_tilt = row(constant, at.CONST_COS_TILT)
            y = row(constant, at.CONST_SHOULDER)
            z = 0.0
            arm = 0.0
            sp, cp, s2, c2, sq, cq = hinge_angles(hinge, b, segment)
            if segment == 1:
                arm = row(constant, at.CONST_INNER_LENGTH)
                y += arm * row(hinge, b + at.HINGE_COS_INNER)
                z += arm * row(hinge, b + at.HINGE_SIN_INNER)
            sx, sn = row(sums, t + at.SUM_FX), row(sums, t + at.SUM_FN)
            rx, rn = row(sums, t + at.SUM_RFX), row(sums, t + at.SUM_RFN)
            m, eta_m = row(sums, t + at.SUM_M), row(sums, t + at.SUM_ETA_M)
            fx = sx * cq
            fy = -sx * sq * cp - sn * sp
            fz = -sx * sq * sp + sn * cp
            # Moment of the segment about its own hinge: rn about x', -rx about n, m about s'.
            mx = rn * cq + m * sq + y * fz - z * fy
            my = -rn * sq * cp + rx * sp + m * cq * cp + z * fx
            mz = -rn * sq * sp - rx * cp + m * cq * sp - y * fx
            thrust = -(fx * cos_air + fz * sin_air)
            put(series, k + at.SERIES_LIFT, fz * cos_air - fx * sin_air)
            put(series, k + at.SERIES_THRUST, thrust)
            put(series, k + at.SERIES_SIDE, fy)
            put(series, k + at.SERIES_ROLL, mx * cos_tilt + mz * sin_tilt)
            put(series, k + at.SERIES_PITCH, my)
            put(series, k + at.SERIES_YAW, mz * cos_tilt - mx * sin_tilt)
            put(
                series,
                k + at.SERIES_POWER,
                thrust * row(constant, at.CONST_AIRSPEED) + row(sums, t + at.SUM_LOSS),
            )
            put(series, k + at.SERIES_WAKE, row(sums, t + at.SUM_WAKE))
            put(series, k + at.SERIES_PROFILE, row(sums, t + at.SUM_PROFILE))
            q = o + at.SERIES_TORQUE
            hinge_moment = cq * rn + sq * m
            _add(series, q + at.PLUNGE_INNER, hinge_moment + arm * (sn * c2 - sx * s2 * sq))
            _add(series, q + at.HEAVE, fz * cos_tilt - fx * sin_tilt)
            if segment == 0:
                _add(series, q + at.TWIST_INNER_ROOT, m - eta_m)
                _add(series, q + at.TWIST_INNER_TIP, eta_m)
            else:
                _add(series, q + at.PLUNGE_OUTER, hinge_moment)
                _add(series, q + at.SWEEP_OUTER, rx)
                _add(series, q + at.TWIST_OUTER_ROOT, m - eta_m)
                _add(series, q + at.TWIST_OUTER_TIP, eta_m)
            _add(series, o + at.SERIES_INERTIAL, row(sums, t + at.SUM_INERTIAL))
            w = o + at.SERIES_MASS_TORQUE + 2 * segment
            put(series, w, row(sums, t + at.SUM_MASS_M) - row(sums, t + at.SUM_ETA_MASS_M))
            put(series, w + 1, row(sums, t + at.SUM_ETA_MASS_M))
            _add(
                series,
                o + at.SERIES_STALLED,
                2.0 * row(sums, t + at.SUM_STALLED) / row(constant, at.CONST_AREA),
            )
        other = o + at.SEGMENT_SERIES
        for total, part in _TOTALS:
            both = row(series, o + part) + row(series, other + part)
            put(series, o + total, both)
        put(
            series,
            o + at.SERIES_TIP,
            row(constant, at.CONST_INNER_LENGTH) * row(hinge, b + at.HINGE_SIN_INNER)
            + row(constant, at.CONST_OUTER_LENGTH) * row(hinge, b + at.HINGE_SIN_OUTER)
            + row(hinge, b + 3 * at.HEAVE),
        )
