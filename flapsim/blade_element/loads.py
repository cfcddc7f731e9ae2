"""From effective velocities to loads: one strip, a segment, the half wing."""

from __future__ import annotations

import math

from flapsim.aero.compiled import compiled, inlined
from flapsim.aero.section import (
    TABLE,
    attached_weight,
    plate_centre_of_pressure,
    plate_separated_bound,
    plate_separated_velocity,
)
from flapsim.blade_element.circulation import table_coefficients, table_lift
from flapsim.blade_element.layout import (
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
from flapsim.body import STANDARD_GRAVITY

_L = LANES
_GRAVITY = STANDARD_GRAVITY
_MASK = OFFSET_MASK


@inlined
def _plate_loads(
    density, chord, u, w, q, q_c, f, spin, camber, suction, plate_drag, friction, axis, apparent
):
    """Forces, moment and losses of a thin plate or airfoil, without apparent mass.

    Returns normal force, aft force, nose-up moment about the twist axis, wake loss, profile loss
    (all per metre), circulation, and the cosine of the incidence.
    """
    reference = 0.25 + 0.5 * apparent
    quarter = 0.25 * chord * spin
    w_c = q_c - camber * u
    w_m = w_c - apparent * quarter
    w_camber = w_c + (1.0 - 2.0 * apparent) * quarter
    speed = math.sqrt(u * u + w_m * w_m)
    sine = w_m / (speed + 1e-300)
    cosine = u / (speed + 1e-300)
    weight = attached_weight(f)
    lost = 1.0 - weight
    k = weight * math.pi * density * chord
    separated = lost * 0.5 * density * chord * plate_separated_velocity(u, w_m, plate_drag)
    centre = plate_centre_of_pressure(sine, cosine)
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
    bound = math.pi * chord * (weight * q_c + lost * plate_separated_bound(u, w_m, plate_drag))
    return normal, aft, moment, wake, profile, bound, cosine


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
    return normal, aft, about_axis, wake, profile, bound, u / (speed + 1e-300)


@compiled
def strip_loads(
    flow,
    sums,
    parameter,
    constant,
    friction,
    least_cosine,
    segment,
    strip,
    slot,
    steps,
    law,
    apparent,
    lagged,
    lookup,
):
    """Loads of one strip through the stroke, added to the sums of its segment.

    ``apparent`` is 1 with the apparent-mass package, 0 without. ``least_cosine`` keeps each
    design's smallest cosine of incidence.
    """
    values, table_first, table_blend = lookup
    p = (strip * PAR_ROWS * _L) & _MASK
    for n in range(steps):
        f = ((slot * steps + n) * FLOW_ROWS * _L) & _MASK
        if law == TABLE:
            for lane in range(_L):
                u = flow[f + FLOW_U * _L + lane]
                q_c = flow[f + FLOW_Q_CIRCULATION * _L + lane]
                first = table_first[strip * _L + lane]
                blend = table_blend[strip * _L + lane]
                alpha = math.atan2(q_c, u)
                lift = table_lift(
                    values, first, blend, alpha, flow[f + FLOW_ATTACHED * _L + lane], lagged
                )
                drag, moment = table_coefficients(values, first, blend, alpha)
                normal, aft, about, wake, profile, bound, cosine = _table_loads(
                    constant[CONST_DENSITY * _L + lane],
                    parameter[p + PAR_CHORD * _L + lane],
                    u,
                    flow[f + FLOW_Q * _L + lane],
                    q_c,
                    flow[f + FLOW_SPIN * _L + lane],
                    lift,
                    drag,
                    moment,
                    constant[CONST_TWIST_AXIS * _L + lane],
                    apparent,
                )
                _add(
                    flow,
                    sums,
                    parameter,
                    constant,
                    least_cosine,
                    segment,
                    p,
                    f,
                    n,
                    steps,
                    lane,
                    apparent,
                    normal,
                    aft,
                    about,
                    wake,
                    profile,
                    bound,
                    cosine,
                )
        else:
            for lane in range(_L):
                normal, aft, about, wake, profile, bound, cosine = _plate_loads(
                    constant[CONST_DENSITY * _L + lane],
                    parameter[p + PAR_CHORD * _L + lane],
                    flow[f + FLOW_U * _L + lane],
                    flow[f + FLOW_W * _L + lane],
                    flow[f + FLOW_Q * _L + lane],
                    flow[f + FLOW_Q_CIRCULATION * _L + lane],
                    flow[f + FLOW_ATTACHED * _L + lane],
                    flow[f + FLOW_SPIN * _L + lane],
                    parameter[p + PAR_CAMBER * _L + lane],
                    parameter[p + PAR_SUCTION * _L + lane],
                    parameter[p + PAR_PLATE_DRAG * _L + lane],
                    friction[lane],
                    constant[CONST_TWIST_AXIS * _L + lane],
                    apparent,
                )
                _add(
                    flow,
                    sums,
                    parameter,
                    constant,
                    least_cosine,
                    segment,
                    p,
                    f,
                    n,
                    steps,
                    lane,
                    apparent,
                    normal,
                    aft,
                    about,
                    wake,
                    profile,
                    bound,
                    cosine,
                )


@inlined
def _add(
    flow,
    sums,
    parameter,
    constant,
    least_cosine,
    segment,
    p,
    f,
    n,
    steps,
    lane,
    apparent,
    normal,
    aft,
    about,
    wake,
    profile,
    bound,
    cosine,
):
    """Add the apparent mass to one lane's loads and the loads to the sums of the segment."""
    density = constant[CONST_DENSITY * _L + lane]
    chord = parameter[p + PAR_CHORD * _L + lane]
    axis = constant[CONST_TWIST_AXIS * _L + lane]
    spin = flow[f + FLOW_SPIN * _L + lane]
    w = flow[f + FLOW_W * _L + lane]
    virtual = apparent * 0.25 * math.pi * density * chord * chord
    push = virtual * flow[f + FLOW_MID_RATE * _L + lane]
    turn = virtual * chord * chord * (1.0 / 32.0) * flow[f + FLOW_SPIN_RATE * _L + lane]
    total = normal + push
    moment = about - push * (0.5 - axis) * chord - turn
    stored = push * (w + (0.5 - axis) * chord * spin) + turn * spin
    sine = flow[f + FLOW_SIN * _L + lane]
    cosine_twist = flow[f + FLOW_COS * _L + lane]
    fx = aft * cosine_twist + total * sine
    fn = total * cosine_twist - aft * sine
    width = parameter[p + PAR_WIDTH * _L + lane]
    r = parameter[p + PAR_DISTANCE * _L + lane]
    eta = parameter[p + PAR_FRACTION * _L + lane]
    t = (((segment * steps + n) * SUM_ROWS * _L) & _MASK) + lane
    sums[t + SUM_FX * _L] += width * fx
    sums[t + SUM_FN * _L] += width * fn
    sums[t + SUM_RFX * _L] += width * r * fx
    sums[t + SUM_RFN * _L] += width * r * fn
    sums[t + SUM_M * _L] += width * moment
    sums[t + SUM_ETA_M * _L] += width * eta * moment
    sums[t + SUM_LOSS * _L] += width * (
        total * w + aft * flow[f + FLOW_U * _L + lane] - moment * spin
    )
    sums[t + SUM_WAKE * _L] += width * (wake + stored)
    sums[t + SUM_PROFILE * _L] += width * profile
    sums[t + SUM_STALLED * _L] += (
        width * chord if flow[f + FLOW_ATTACHED * _L + lane] < 0.5 else 0.0
    )
    least_cosine[lane] = min(least_cosine[lane], cosine)
    flow[f + FLOW_NORMAL * _L + lane] = total
    flow[f + FLOW_AFT * _L + lane] = aft
    flow[f + FLOW_MOMENT * _L + lane] = moment
    flow[f + FLOW_CIRCULATION * _L + lane] = bound


@compiled
def strip_inertia(flow, motion, sums, parameter, constant, segment, strip, slot, steps):
    """Rate of kinetic energy of one strip and the moment of its mass about the twist axis.

    The spar lies on the twist axis, the skin evenly over the chord. Energies are sums of squares
    of components, so their rates need no terms for the turning frame.
    """
    p = (strip * PAR_ROWS * _L) & _MASK
    for n in range(steps):
        t = ((segment * steps + n) * SEG_ROWS * _L) & _MASK
        f = ((slot * steps + n) * FLOW_ROWS * _L) & _MASK
        o = ((segment * steps + n) * SUM_ROWS * _L) & _MASK
        for lane in range(_L):
            r = parameter[p + PAR_DISTANCE * _L + lane]
            eta = parameter[p + PAR_FRACTION * _L + lane]
            chord = parameter[p + PAR_CHORD * _L + lane]
            skin = parameter[p + PAR_SKIN * _L + lane]
            spar = parameter[p + PAR_SPAR * _L + lane]
            arm = (0.5 - constant[CONST_TWIST_AXIS * _L + lane]) * chord
            sine = flow[f + FLOW_SIN * _L + lane]
            cosine = flow[f + FLOW_COS * _L + lane]
            spin = flow[f + FLOW_SPIN * _L + lane]
            spin_rate = flow[f + FLOW_SPIN_RATE * _L + lane]
            twist_rate = (
                motion[t + SEG_TWIST_ROOT_RATE * _L + lane]
                + eta * motion[t + SEG_TWIST_SPREAD_RATE * _L + lane]
            )
            vx = motion[t + SEG_VX0 * _L + lane] - r * motion[t + SEG_X1 * _L + lane]
            vn = motion[t + SEG_VN0 * _L + lane] - r * motion[t + SEG_N1 * _L + lane]
            vs = motion[t + SEG_VS0 * _L + lane]
            vx_rate = motion[t + SEG_VX0_RATE * _L + lane] - r * motion[t + SEG_X1_RATE * _L + lane]
            vn_rate = motion[t + SEG_VN0_RATE * _L + lane] - r * motion[t + SEG_N1_RATE * _L + lane]
            vs_rate = motion[t + SEG_VS0_RATE * _L + lane]
            # Components along chord and normal, and the turning about the section's normal.
            along = vx * cosine - vn * sine
            across = vx * sine + vn * cosine
            along_rate = vx_rate * cosine - vn_rate * sine - twist_rate * across
            across_rate = vx_rate * sine + vn_rate * cosine + twist_rate * along
            yawing = (
                -motion[t + SEG_N1 * _L + lane] * sine + motion[t + SEG_X1 * _L + lane] * cosine
            )
            yawing_rate = (
                -motion[t + SEG_N1_RATE * _L + lane] * sine
                + motion[t + SEG_X1_RATE * _L + lane] * cosine
                - twist_rate
                * (motion[t + SEG_N1 * _L + lane] * cosine + motion[t + SEG_X1 * _L + lane] * sine)
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
            width = parameter[p + PAR_WIDTH * _L + lane]
            sums[o + SUM_INERTIAL * _L + lane] += width * (spar * on_axis + skin * chord * of_skin)
            # Moment of inertia and weight about the twist axis: only the skin lies off it.
            spin_hinge = motion[t + SEG_SPIN * _L + lane]
            lift_x = (
                vx_rate
                + spin_hinge * vn
                - motion[t + SEG_X1 * _L + lane] * vs
                + _GRAVITY * motion[t + SEG_UP_X * _L + lane]
            )
            lift_n = (
                vn_rate
                - motion[t + SEG_N1 * _L + lane] * vs
                - spin_hinge * vx
                + _GRAVITY * motion[t + SEG_UP_N * _L + lane]
            )
            rolling = (
                -motion[t + SEG_N1 * _L + lane] * cosine - motion[t + SEG_X1 * _L + lane] * sine
            )
            mass = skin * chord
            moment = mass * arm * (lift_x * sine + lift_n * cosine) + mass * (
                gyration + arm * arm
            ) * (rolling * yawing - spin_rate)
            sums[o + SUM_MASS_M * _L + lane] += width * moment
            sums[o + SUM_ETA_MASS_M * _L + lane] += width * eta * moment


@compiled
def half_wing_series(series, sums, hinge, constant, segments, steps):
    """Forces, moments, powers and torques of the half wing at every step.

    Forces along lift, thrust and starboard; moments about the origin of the design axes.
    """
    for n in range(steps):
        b = (n * HINGE_ROWS * _L) & _MASK
        o = (n * SERIES_ROWS * _L) & _MASK
        for row in range(SERIES_ROWS):
            for lane in range(_L):
                series[o + row * _L + lane] = 0.0
        for segment in range(segments):
            t = ((segment * steps + n) * SUM_ROWS * _L) & _MASK
            k = (o + segment * SEGMENT_SERIES * _L) & _MASK
            for lane in range(_L):
                sin_air = constant[CONST_SIN_AIR * _L + lane]
                cos_air = constant[CONST_COS_AIR * _L + lane]
                sin_tilt = constant[CONST_SIN_TILT * _L + lane]
                cos_tilt = constant[CONST_COS_TILT * _L + lane]
                s1 = hinge[b + HINGE_SIN_INNER * _L + lane]
                c1 = hinge[b + HINGE_COS_INNER * _L + lane]
                y = constant[CONST_SHOULDER * _L + lane]
                z = 0.0
                arm = 0.0
                sp, cp, s2, c2, sq, cq = s1, c1, 0.0, 1.0, 0.0, 1.0
                if segment == 1:
                    sp = hinge[b + HINGE_SIN_OUTER * _L + lane]
                    cp = hinge[b + HINGE_COS_OUTER * _L + lane]
                    s2 = hinge[b + HINGE_SIN_RELATIVE * _L + lane]
                    c2 = hinge[b + HINGE_COS_RELATIVE * _L + lane]
                    sq = hinge[b + HINGE_SIN_SWEEP * _L + lane]
                    cq = hinge[b + HINGE_COS_SWEEP * _L + lane]
                    arm = constant[CONST_INNER_LENGTH * _L + lane]
                    y += arm * c1
                    z += arm * s1
                sx, sn = sums[t + SUM_FX * _L + lane], sums[t + SUM_FN * _L + lane]
                rx, rn = sums[t + SUM_RFX * _L + lane], sums[t + SUM_RFN * _L + lane]
                m, eta_m = sums[t + SUM_M * _L + lane], sums[t + SUM_ETA_M * _L + lane]
                fx = sx * cq
                fy = -sx * sq * cp - sn * sp
                fz = -sx * sq * sp + sn * cp
                # Moment of the segment about its own hinge: rn about x', -rx about n, m about s'.
                mx = rn * cq + m * sq + y * fz - z * fy
                my = -rn * sq * cp + rx * sp + m * cq * cp + z * fx
                mz = -rn * sq * sp - rx * cp + m * cq * sp - y * fx
                thrust = -(fx * cos_air + fz * sin_air)
                series[k + SERIES_LIFT * _L + lane] = fz * cos_air - fx * sin_air
                series[k + SERIES_THRUST * _L + lane] = thrust
                series[k + SERIES_SIDE * _L + lane] = fy
                series[k + SERIES_ROLL * _L + lane] = mx * cos_tilt + mz * sin_tilt
                series[k + SERIES_PITCH * _L + lane] = my
                series[k + SERIES_YAW * _L + lane] = mz * cos_tilt - mx * sin_tilt
                series[k + SERIES_POWER * _L + lane] = (
                    thrust * constant[CONST_AIRSPEED * _L + lane] + sums[t + SUM_LOSS * _L + lane]
                )
                series[k + SERIES_WAKE * _L + lane] = sums[t + SUM_WAKE * _L + lane]
                series[k + SERIES_PROFILE * _L + lane] = sums[t + SUM_PROFILE * _L + lane]
                q = ((o + SERIES_TORQUE * _L) & _MASK) + lane
                hinge_moment = cq * rn + sq * m
                series[q + PLUNGE_INNER * _L] += hinge_moment + arm * (sn * c2 - sx * s2 * sq)
                series[q + HEAVE * _L] += fz * cos_tilt - fx * sin_tilt
                if segment == 0:
                    series[q + TWIST_INNER_ROOT * _L] += m - eta_m
                    series[q + TWIST_INNER_TIP * _L] += eta_m
                else:
                    series[q + PLUNGE_OUTER * _L] += hinge_moment
                    series[q + SWEEP_OUTER * _L] += rx
                    series[q + TWIST_OUTER_ROOT * _L] += m - eta_m
                    series[q + TWIST_OUTER_TIP * _L] += eta_m
                series[o + SERIES_INERTIAL * _L + lane] += sums[t + SUM_INERTIAL * _L + lane]
                w = ((o + (SERIES_MASS_TORQUE + 2 * segment) * _L) & _MASK) + lane
                series[w] = sums[t + SUM_MASS_M * _L + lane] - sums[t + SUM_ETA_MASS_M * _L + lane]
                series[w + _L] = sums[t + SUM_ETA_MASS_M * _L + lane]
                series[o + SERIES_STALLED * _L + lane] += (
                    2.0 * sums[t + SUM_STALLED * _L + lane] / constant[CONST_AREA * _L + lane]
                )
        for lane in range(_L):
            other = o + SEGMENT_SERIES * _L + lane
            here = o + lane
            series[o + SERIES_TOTAL_LIFT * _L + lane] = (
                series[here + SERIES_LIFT * _L] + series[other + SERIES_LIFT * _L]
            )
            series[o + SERIES_TOTAL_THRUST * _L + lane] = (
                series[here + SERIES_THRUST * _L] + series[other + SERIES_THRUST * _L]
            )
            series[o + SERIES_TOTAL_PITCH * _L + lane] = (
                series[here + SERIES_PITCH * _L] + series[other + SERIES_PITCH * _L]
            )
            series[o + SERIES_TOTAL_POWER * _L + lane] = (
                series[here + SERIES_POWER * _L] + series[other + SERIES_POWER * _L]
            )
            series[o + SERIES_TIP * _L + lane] = (
                constant[CONST_INNER_LENGTH * _L + lane] * hinge[b + HINGE_SIN_INNER * _L + lane]
                + constant[CONST_OUTER_LENGTH * _L + lane] * hinge[b + HINGE_SIN_OUTER * _L + lane]
                + hinge[b + 3 * HEAVE * _L + lane]
            )
