"""From effective velocities to loads: one strip, a segment, the half wing."""

from __future__ import annotations

import math

from flapsim.constants import STANDARD_GRAVITY
from flapsim.kernel.circulation import table_coefficients, table_lift
from flapsim.kernel.compiled import compiled, inlined
from flapsim.kernel.lanes import LANES, anywhere, put, row, select
from flapsim.kernel.layout import (
    BLOCK_INCIDENCE_SPEED,
    BLOCK_INCIDENCE_U,
    CONST_AIRSPEED,
    CONST_AREA,
    CONST_COS_AIR,
    CONST_COS_TILT,
    CONST_DENSITY,
    CONST_INNER_LENGTH,
    CONST_OUTER_LENGTH,
    CONST_SHOULDER,
    CONST_SIN_AIR,
    CONST_SIN_TILT,
    CONST_TWIST_AXIS,
    FLOW_AFT,
    FLOW_ATTACHED,
    FLOW_CIRCULATION,
    FLOW_COS,
    FLOW_MID_RATE,
    FLOW_MOMENT,
    FLOW_NORMAL,
    FLOW_Q,
    FLOW_Q_CIRCULATION,
    FLOW_ROWS,
    FLOW_SCRATCH_1,
    FLOW_SCRATCH_2,
    FLOW_SCRATCH_3,
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
    PAR_CAMBER,
    PAR_CHORD,
    PAR_DISTANCE,
    PAR_FRACTION,
    PAR_PLATE_DRAG,
    PAR_ROWS,
    PAR_SKIN,
    PAR_SPAR,
    PAR_SUCTION,
    PAR_WIDTH,
    PLUNGE_INNER,
    PLUNGE_OUTER,
    SEG_N1,
    SEG_N1_RATE,
    SEG_ROWS,
    SEG_SPIN,
    SEG_TWIST_ROOT_RATE,
    SEG_TWIST_SPREAD_RATE,
    SEG_UP_N,
    SEG_UP_X,
    SEG_VN0,
    SEG_VN0_RATE,
    SEG_VS0,
    SEG_VS0_RATE,
    SEG_VX0,
    SEG_VX0_RATE,
    SEG_X1,
    SEG_X1_RATE,
    SEGMENT_SERIES,
    SERIES_INERTIAL,
    SERIES_LIFT,
    SERIES_MASS_TORQUE,
    SERIES_PITCH,
    SERIES_POWER,
    SERIES_PROFILE,
    SERIES_ROLL,
    SERIES_ROWS,
    SERIES_SIDE,
    SERIES_STALLED,
    SERIES_THRUST,
    SERIES_TIP,
    SERIES_TORQUE,
    SERIES_TOTAL_LIFT,
    SERIES_TOTAL_PITCH,
    SERIES_TOTAL_POWER,
    SERIES_TOTAL_THRUST,
    SERIES_WAKE,
    SERIES_YAW,
    SUM_ETA_M,
    SUM_ETA_MASS_M,
    SUM_FN,
    SUM_FX,
    SUM_INERTIAL,
    SUM_LOSS,
    SUM_M,
    SUM_MASS_M,
    SUM_PROFILE,
    SUM_RFN,
    SUM_RFX,
    SUM_ROWS,
    SUM_STALLED,
    SUM_WAKE,
    SWEEP_OUTER,
    TWIST_INNER_ROOT,
    TWIST_INNER_TIP,
    TWIST_OUTER_ROOT,
    TWIST_OUTER_TIP,
)
from flapsim.kernel.section import (
    TABLE,
    attached_weight,
    plate_centre_of_pressure,
    plate_separated_bound,
    plate_separated_velocity,
)

_GRAVITY = STANDARD_GRAVITY


@inlined
def _separated_plate(density, chord, u, w, f, drag):
    """Weight of the attached flow; force, its place and circulation of the separated one."""
    weight, separated, centre, bound = 0.0 * u + 1.0, 0.0 * u, 0.0 * u, 0.0 * u
    # Most strips are attached most of the time; none of this is then asked for.
    separates = f < 1.0
    if anywhere(separates):
        # A lagged length may exceed 1 by rounding; it must then not depend on its neighbours.
        weight = select(separates, attached_weight(f), 1.0)
        lost = 1.0 - weight
        speed = math.sqrt(u * u + w * w) + 1e-300
        separated = lost * 0.5 * density * chord * plate_separated_velocity(u, w, drag)
        centre = plate_centre_of_pressure(w / speed, u / speed)
        bound = lost * plate_separated_bound(u, w, drag)
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
def _look_up_coefficients(flow, f, strip, lookup, lagged):
    """Lift, drag and moment coefficient of a section table, lane by lane."""
    tables, table_first, table_blend = lookup
    for lane in range(LANES):
        first, blend = table_first[strip * LANES + lane], table_blend[strip * LANES + lane]
        u = flow[(f + FLOW_U) * LANES + lane]
        alpha = math.atan2(flow[(f + FLOW_Q_CIRCULATION) * LANES + lane], u)
        attached = flow[(f + FLOW_ATTACHED) * LANES + lane]
        lift = table_lift(tables, first, blend, alpha, attached, lagged)
        drag, moment = table_coefficients(tables, first, blend, alpha)
        flow[(f + FLOW_SCRATCH_1) * LANES + lane] = lift
        flow[(f + FLOW_SCRATCH_2) * LANES + lane] = drag
        flow[(f + FLOW_SCRATCH_3) * LANES + lane] = moment
    return (
        row(flow, f + FLOW_SCRATCH_1),
        row(flow, f + FLOW_SCRATCH_2),
        row(flow, f + FLOW_SCRATCH_3),
    )


@compiled
def strip_loads(
    flow, sums, parameter, constant, friction, verdict, segment, strip, slot, law, options, lookup
):
    """Loads of one strip through the stroke, added to the sums of its segment.

    ``options``: 1 with the apparent-mass package, whether stall lags, whether to leave the strip's
    own loads in its rows of `Block.flow`, steps.
    """
    apparent, lagged, keep, steps = options
    p = strip * PAR_ROWS
    density, axis = row(constant, CONST_DENSITY), row(constant, CONST_TWIST_AXIS)
    chord, width = row(parameter, p + PAR_CHORD), row(parameter, p + PAR_WIDTH)
    r, eta = row(parameter, p + PAR_DISTANCE), row(parameter, p + PAR_FRACTION)
    half_way = (0.5 - axis) * chord
    virtual = apparent * 0.25 * math.pi * density * chord * chord
    virtual_turn = virtual * chord * chord * (1.0 / 32.0)
    camber, suction = row(parameter, p + PAR_CAMBER), row(parameter, p + PAR_SUCTION)
    plate_drag, rough = row(parameter, p + PAR_PLATE_DRAG), row(friction, strip)
    worst_u = row(verdict, BLOCK_INCIDENCE_U)
    worst_speed = row(verdict, BLOCK_INCIDENCE_SPEED)
    for n in range(steps):
        f = (slot * steps + n) * FLOW_ROWS
        u, w = row(flow, f + FLOW_U), row(flow, f + FLOW_W)
        q, q_c = row(flow, f + FLOW_Q), row(flow, f + FLOW_Q_CIRCULATION)
        attached, spin = row(flow, f + FLOW_ATTACHED), row(flow, f + FLOW_SPIN)
        if law == TABLE:
            lift, drag, pitching = _look_up_coefficients(flow, f, strip, lookup, lagged)
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
        push = virtual * row(flow, f + FLOW_MID_RATE)
        turn = virtual_turn * row(flow, f + FLOW_SPIN_RATE)
        normal += push
        moment -= push * half_way + turn
        stored = push * (w + half_way * spin) + turn * spin
        sine, cosine = row(flow, f + FLOW_SIN), row(flow, f + FLOW_COS)
        fx = width * (aft * cosine + normal * sine)
        fn = width * (normal * cosine - aft * sine)
        about = width * moment
        t = (segment * steps + n) * SUM_ROWS
        _add(sums, t + SUM_FX, fx)
        _add(sums, t + SUM_FN, fn)
        _add(sums, t + SUM_RFX, r * fx)
        _add(sums, t + SUM_RFN, r * fn)
        _add(sums, t + SUM_M, about)
        _add(sums, t + SUM_ETA_M, eta * about)
        _add(sums, t + SUM_LOSS, width * (normal * w + aft * u - moment * spin))
        _add(sums, t + SUM_WAKE, width * (wake + stored))
        _add(sums, t + SUM_PROFILE, width * profile)
        _add(sums, t + SUM_STALLED, select(attached < 0.5, width * chord, 0.0))
        # Smaller cosine of the incidence, without dividing by the speed.
        worse = u * worst_speed < worst_u * speed
        worst_u = select(worse, u, worst_u)
        worst_speed = select(worse, speed, worst_speed)
        if keep:
            put(flow, f + FLOW_NORMAL, normal)
            put(flow, f + FLOW_AFT, aft)
            put(flow, f + FLOW_MOMENT, moment)
            put(flow, f + FLOW_CIRCULATION, bound)
    put(verdict, BLOCK_INCIDENCE_U, worst_u)
    put(verdict, BLOCK_INCIDENCE_SPEED, worst_speed)


@inlined
def _add(array, index, value):
    """Add to a row."""
    put(array, index, row(array, index) + value)


@compiled
def strip_inertia(flow, motion, sums, parameter, constant, segment, strip, slot, steps):
    """Rate of kinetic energy of one strip and the moment of its mass about the twist axis.

    The spar lies on the twist axis, the skin evenly over the chord. Energies are sums of squares
    of components, so their rates need no terms for the turning frame.
    """
    p = strip * PAR_ROWS
    for n in range(steps):
        t = (segment * steps + n) * SEG_ROWS
        f = (slot * steps + n) * FLOW_ROWS
        o = (segment * steps + n) * SUM_ROWS
        r = row(parameter, p + PAR_DISTANCE)
        eta = row(parameter, p + PAR_FRACTION)
        chord = row(parameter, p + PAR_CHORD)
        skin = row(parameter, p + PAR_SKIN)
        spar = row(parameter, p + PAR_SPAR)
        arm = (0.5 - row(constant, CONST_TWIST_AXIS)) * chord
        sine = row(flow, f + FLOW_SIN)
        cosine = row(flow, f + FLOW_COS)
        spin = row(flow, f + FLOW_SPIN)
        spin_rate = row(flow, f + FLOW_SPIN_RATE)
        twist_rate = row(motion, t + SEG_TWIST_ROOT_RATE) + eta * row(
            motion, t + SEG_TWIST_SPREAD_RATE
        )
        vx = row(motion, t + SEG_VX0) - r * row(motion, t + SEG_X1)
        vn = row(motion, t + SEG_VN0) - r * row(motion, t + SEG_N1)
        vs = row(motion, t + SEG_VS0)
        vx_rate = row(motion, t + SEG_VX0_RATE) - r * row(motion, t + SEG_X1_RATE)
        vn_rate = row(motion, t + SEG_VN0_RATE) - r * row(motion, t + SEG_N1_RATE)
        vs_rate = row(motion, t + SEG_VS0_RATE)
        # Components along chord and normal, and the turning about the section's normal.
        along = vx * cosine - vn * sine
        across = vx * sine + vn * cosine
        along_rate = vx_rate * cosine - vn_rate * sine - twist_rate * across
        across_rate = vx_rate * sine + vn_rate * cosine + twist_rate * along
        yawing = -row(motion, t + SEG_N1) * sine + row(motion, t + SEG_X1) * cosine
        yawing_rate = (
            -row(motion, t + SEG_N1_RATE) * sine
            + row(motion, t + SEG_X1_RATE) * cosine
            - twist_rate * (row(motion, t + SEG_N1) * cosine + row(motion, t + SEG_X1) * sine)
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
        width = row(parameter, p + PAR_WIDTH)
        _add(sums, o + SUM_INERTIAL, width * (spar * on_axis + skin * chord * of_skin))
        # Moment of inertia and weight about the twist axis: only the skin lies off it.
        spin_hinge = row(motion, t + SEG_SPIN)
        lift_x = (
            vx_rate
            + spin_hinge * vn
            - row(motion, t + SEG_X1) * vs
            + _GRAVITY * row(motion, t + SEG_UP_X)
        )
        lift_n = (
            vn_rate
            - row(motion, t + SEG_N1) * vs
            - spin_hinge * vx
            + _GRAVITY * row(motion, t + SEG_UP_N)
        )
        rolling = -row(motion, t + SEG_N1) * cosine - row(motion, t + SEG_X1) * sine
        mass = skin * chord
        moment = mass * arm * (lift_x * sine + lift_n * cosine) + mass * (gyration + arm * arm) * (
            rolling * yawing - spin_rate
        )
        _add(sums, o + SUM_MASS_M, width * moment)
        _add(sums, o + SUM_ETA_MASS_M, width * eta * moment)


@compiled
def half_wing_series(series, sums, hinge, constant, segments, steps):
    """Forces, moments, powers and torques of the half wing at every step.

    Forces along lift, thrust and starboard; moments about the origin of the design axes.
    """
    for n in range(steps):
        b = n * HINGE_ROWS
        o = n * SERIES_ROWS
        for which in range(SERIES_ROWS):
            put(series, o + which, 0.0)
        for segment in range(segments):
            t = (segment * steps + n) * SUM_ROWS
            k = o + segment * SEGMENT_SERIES
            sin_air = row(constant, CONST_SIN_AIR)
            cos_air = row(constant, CONST_COS_AIR)
            sin_tilt = row(constant, CONST_SIN_TILT)
            cos_tilt = row(constant, CONST_COS_TILT)
            s1 = row(hinge, b + HINGE_SIN_INNER)
            c1 = row(hinge, b + HINGE_COS_INNER)
            y = row(constant, CONST_SHOULDER)
            z = 0.0
            arm = 0.0
            sp, cp, s2, c2, sq, cq = s1, c1, 0.0, 1.0, 0.0, 1.0
            if segment == 1:
                sp = row(hinge, b + HINGE_SIN_OUTER)
                cp = row(hinge, b + HINGE_COS_OUTER)
                s2 = row(hinge, b + HINGE_SIN_RELATIVE)
                c2 = row(hinge, b + HINGE_COS_RELATIVE)
                sq = row(hinge, b + HINGE_SIN_SWEEP)
                cq = row(hinge, b + HINGE_COS_SWEEP)
                arm = row(constant, CONST_INNER_LENGTH)
                y += arm * c1
                z += arm * s1
            sx, sn = row(sums, t + SUM_FX), row(sums, t + SUM_FN)
            rx, rn = row(sums, t + SUM_RFX), row(sums, t + SUM_RFN)
            m, eta_m = row(sums, t + SUM_M), row(sums, t + SUM_ETA_M)
            fx = sx * cq
            fy = -sx * sq * cp - sn * sp
            fz = -sx * sq * sp + sn * cp
            # Moment of the segment about its own hinge: rn about x', -rx about n, m about s'.
            mx = rn * cq + m * sq + y * fz - z * fy
            my = -rn * sq * cp + rx * sp + m * cq * cp + z * fx
            mz = -rn * sq * sp - rx * cp + m * cq * sp - y * fx
            thrust = -(fx * cos_air + fz * sin_air)
            put(series, k + SERIES_LIFT, fz * cos_air - fx * sin_air)
            put(series, k + SERIES_THRUST, thrust)
            put(series, k + SERIES_SIDE, fy)
            put(series, k + SERIES_ROLL, mx * cos_tilt + mz * sin_tilt)
            put(series, k + SERIES_PITCH, my)
            put(series, k + SERIES_YAW, mz * cos_tilt - mx * sin_tilt)
            put(
                series,
                k + SERIES_POWER,
                thrust * row(constant, CONST_AIRSPEED) + row(sums, t + SUM_LOSS),
            )
            put(series, k + SERIES_WAKE, row(sums, t + SUM_WAKE))
            put(series, k + SERIES_PROFILE, row(sums, t + SUM_PROFILE))
            q = o + SERIES_TORQUE
            hinge_moment = cq * rn + sq * m
            _add(series, q + PLUNGE_INNER, hinge_moment + arm * (sn * c2 - sx * s2 * sq))
            _add(series, q + HEAVE, fz * cos_tilt - fx * sin_tilt)
            if segment == 0:
                _add(series, q + TWIST_INNER_ROOT, m - eta_m)
                _add(series, q + TWIST_INNER_TIP, eta_m)
            else:
                _add(series, q + PLUNGE_OUTER, hinge_moment)
                _add(series, q + SWEEP_OUTER, rx)
                _add(series, q + TWIST_OUTER_ROOT, m - eta_m)
                _add(series, q + TWIST_OUTER_TIP, eta_m)
            _add(series, o + SERIES_INERTIAL, row(sums, t + SUM_INERTIAL))
            w = o + SERIES_MASS_TORQUE + 2 * segment
            put(series, w, row(sums, t + SUM_MASS_M) - row(sums, t + SUM_ETA_MASS_M))
            put(series, w + 1, row(sums, t + SUM_ETA_MASS_M))
            _add(
                series,
                o + SERIES_STALLED,
                2.0 * row(sums, t + SUM_STALLED) / row(constant, CONST_AREA),
            )
        other = o + SEGMENT_SERIES
        put(
            series,
            o + SERIES_TOTAL_LIFT,
            row(series, o + SERIES_LIFT) + row(series, other + SERIES_LIFT),
        )
        put(
            series,
            o + SERIES_TOTAL_THRUST,
            row(series, o + SERIES_THRUST) + row(series, other + SERIES_THRUST),
        )
        put(
            series,
            o + SERIES_TOTAL_PITCH,
            row(series, o + SERIES_PITCH) + row(series, other + SERIES_PITCH),
        )
        put(
            series,
            o + SERIES_TOTAL_POWER,
            row(series, o + SERIES_POWER) + row(series, other + SERIES_POWER),
        )
        put(
            series,
            o + SERIES_TIP,
            row(constant, CONST_INNER_LENGTH) * row(hinge, b + HINGE_SIN_INNER)
            + row(constant, CONST_OUTER_LENGTH) * row(hinge, b + HINGE_SIN_OUTER)
            + row(hinge, b + 3 * HEAVE),
        )
