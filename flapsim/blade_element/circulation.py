"""How much circulation each strip makes: induced velocity and separation, solved together.

The unknown of a strip is the effective downwash ``q_c``: the lagged one less the induced
velocity, which itself follows from the circulation. For attached flow the circulation is
``pi c q_c`` and the equation is linear; what separation takes away is the *deficit*,
``q_c - circulation/(pi c)`` (plus where the flow is reversed and the sheet trails off the leading
edge), and is found by iteration on the few strips that have one. A lane
that has converged is left alone, so that a design's answer never depends on its neighbours.
"""

from __future__ import annotations

import math

from flapsim.aero.compiled import compiled, inlined
from flapsim.aero.polar import ATTACHED, DRAG, GRID_STEP_DEG, LIFT, LIFT_GAIN, MOMENT
from flapsim.aero.section import (
    TABLE,
    THIN_PLATE,
    attached_length,
    attached_weight,
    plate_separated_bound,
)
from flapsim.blade_element.layout import (
    CONST_ASPECT_RATIO,
    FLOW_ATTACHED,
    FLOW_Q_CIRCULATION,
    FLOW_Q_LAGGED,
    FLOW_ROWS,
    FLOW_SCRATCH_1,
    FLOW_SPIN,
    FLOW_U,
    LANES,
    OFFSET_MASK,
    PAR_CAMBER,
    PAR_CHORD,
    PAR_INVERSE_RANGE,
    PAR_ONSET,
    PAR_PLATE_DRAG,
    PAR_ROWS,
)

_L = LANES
_MASK = OFFSET_MASK
_MOST_SECANTS = 60
_MOST_SWEEPS = 300
_TOLERANCE = 1e-13
_GRID_PER_RADIAN = 180.0 / math.pi / GRID_STEP_DEG
_TURN = round(360.0 / GRID_STEP_DEG)


@inlined
def look_up(values, first, blend, column, alpha):
    """One column of a section table at an incidence.

    Parameters
    ----------
    values : ndarray, shape (k, 5, n)
        Tables, one Reynolds number after another.
    first : int
        The table below the strip's Reynolds number.
    blend : float
        Weight of the table after it.
    column : int
        Column.
    alpha : float
        Incidence, rad, within half a turn.
    """
    x = (alpha + math.pi) * _GRID_PER_RADIAN
    i = min(max(int(x), 0), _TURN - 1)
    d = x - i
    low = values[first, column, i] + d * (values[first, column, i + 1] - values[first, column, i])
    if blend == 0.0:
        return low
    second = first + 1
    high = values[second, column, i] + d * (
        values[second, column, i + 1] - values[second, column, i]
    )
    return low + blend * (high - low)


@inlined
def table_lift(values, first, blend, alpha, attached, frozen):
    """Lift coefficient of a section table, with the attached length given or its own."""
    lift = look_up(values, first, blend, LIFT, alpha)
    if frozen:
        steady = look_up(values, first, blend, ATTACHED, alpha)
        gain = look_up(values, first, blend, LIFT_GAIN, alpha)
        lift += (attached_weight(attached) - attached_weight(steady)) * gain
    return lift


@inlined
def table_coefficients(values, first, blend, alpha):
    """Drag and moment coefficients of a section table."""
    drag = look_up(values, first, blend, DRAG, alpha)
    return drag, look_up(values, first, blend, MOMENT, alpha)


@inlined
def _table_deficit(q, u, camber_u, values, first, blend, attached, frozen):
    w = q - camber_u
    speed = math.sqrt(u * u + w * w)
    lift = table_lift(values, first, blend, math.atan2(w, u), attached, frozen)
    # The sheet trails downstream: in reversed flow it lies ahead of the chord.
    return q - math.copysign(0.5, u) * speed * lift / math.pi


@inlined
def _plate_deficit(q, u, camber_u, quarter_spin, drag, onset, inverse, attached, frozen):
    """Deficit of a thin plate and the attached length it comes from."""
    w = q - camber_u - quarter_spin
    sine = w / (math.sqrt(u * u + w * w) + 1e-300)
    f = attached if frozen else attached_length(sine, u, onset, inverse)
    lost = 1.0 - attached_weight(f)
    # The sheet trails downstream, whichever edge that is.
    return lost * (q - plate_separated_bound(abs(u), w, drag)), f


@compiled
def deficits(
    flow,
    parameter,
    strip,
    offset,
    law,
    apparent,
    frozen,
    lookup,
):
    """Deficit of all lanes of one strip at one instant, from its effective downwash.

    Written to `FLOW_SCRATCH_1`; the attached length to `FLOW_ATTACHED`. Returns whether any lane
    has a deficit.
    """
    p = (strip * PAR_ROWS * _L) & _MASK
    offset = offset & _MASK
    values, table_first, table_blend = lookup
    found = False
    if law == THIN_PLATE:
        for lane in range(_L):
            u = flow[offset + FLOW_U * _L + lane]
            deficit, f = _plate_deficit(
                flow[offset + FLOW_Q_CIRCULATION * _L + lane],
                u,
                parameter[p + PAR_CAMBER * _L + lane] * u,
                apparent
                * 0.25
                * parameter[p + PAR_CHORD * _L + lane]
                * flow[offset + FLOW_SPIN * _L + lane],
                parameter[p + PAR_PLATE_DRAG * _L + lane],
                parameter[p + PAR_ONSET * _L + lane],
                parameter[p + PAR_INVERSE_RANGE * _L + lane],
                flow[offset + FLOW_ATTACHED * _L + lane],
                frozen,
            )
            flow[offset + FLOW_SCRATCH_1 * _L + lane] = deficit
            flow[offset + FLOW_ATTACHED * _L + lane] = f
        separated = 0
        for lane in range(_L):
            separated += 1 if flow[offset + FLOW_ATTACHED * _L + lane] < 1.0 else 0
        found = separated > 0
    elif law == TABLE:
        for lane in range(_L):
            u = flow[offset + FLOW_U * _L + lane]
            q = flow[offset + FLOW_Q_CIRCULATION * _L + lane]
            first = table_first[strip * _L + lane]
            blend = table_blend[strip * _L + lane]
            flow[offset + FLOW_SCRATCH_1 * _L + lane] = _table_deficit(
                q, u, 0.0, values, first, blend, flow[offset + FLOW_ATTACHED * _L + lane], frozen
            )
            if not frozen:
                flow[offset + FLOW_ATTACHED * _L + lane] = look_up(
                    values, first, blend, ATTACHED, math.atan2(q, u)
                )
        found = True
    else:
        for lane in range(_L):
            flow[offset + FLOW_SCRATCH_1 * _L + lane] = 0.0
            flow[offset + FLOW_ATTACHED * _L + lane] = 1.0
    return found


@compiled
def circulation_local(
    flow,
    parameter,
    constant,
    work,
    strip,
    slot,
    steps,
    law,
    slope,
    apparent,
    frozen,
    lookup,
    unconverged,
):
    """Effective downwash of one strip through the stroke, on its own: no or slope induction.

    Notes
    -----
    ``q_c = q_lagged - (2/AR) (q_c - deficit)``. Solved by the secant rule with its slope held
    between that of the steepest plausible stall and that of attached flow. ``work`` holds three
    rows of lanes.
    """
    block = FLOW_ROWS * _L
    base = slot * steps * block
    for n in range(steps):
        f = (base + n * block) & _MASK
        for lane in range(_L):
            k = slope * 2.0 / constant[CONST_ASPECT_RATIO * _L + lane]
            flow[f + FLOW_Q_CIRCULATION * _L + lane] = flow[f + FLOW_Q_LAGGED * _L + lane] / (
                1.0 + k
            )
        found = deficits(
            flow,
            parameter,
            strip,
            f,
            law,
            apparent,
            frozen,
            lookup,
        )
        if not found or slope == 0.0:
            continue
        # work: slope of the residual, last residual, 1 while the lane is being solved.
        for lane in range(_L):
            k = 2.0 / constant[CONST_ASPECT_RATIO * _L + lane]
            work[lane] = 1.0 + k
            work[_L + lane] = 0.0
            work[2 * _L + lane] = 1.0
        for trial in range(_MOST_SECANTS):
            left = 0
            for lane in range(_L):
                k = 2.0 / constant[CONST_ASPECT_RATIO * _L + lane]
                q = flow[f + FLOW_Q_CIRCULATION * _L + lane]
                lagged = flow[f + FLOW_Q_LAGGED * _L + lane]
                residual = (1.0 + k) * q - lagged - k * flow[f + FLOW_SCRATCH_1 * _L + lane]
                scale = abs(lagged) + abs(flow[f + FLOW_U * _L + lane])
                live = 1.0 if abs(residual) > _TOLERANCE * scale else 0.0
                live *= work[2 * _L + lane]
                # After the step -r/m the residual changed by r' - r, so the secant slope is
                # m (r - r')/r.
                last = work[_L + lane]
                change = (last - residual) / last if last != 0.0 else 1.0
                m = min(max(work[lane] * change, 0.2 * (1.0 + k)), 1.0 + 2.0 * k)
                m = work[lane] if trial == 0 else m
                flow[f + FLOW_Q_CIRCULATION * _L + lane] = q - live * residual / m
                work[lane] = m
                work[_L + lane] = residual
                work[2 * _L + lane] = live
                left += 1 if live > 0.0 else 0
            if left == 0:
                break
            deficits(
                flow,
                parameter,
                strip,
                f,
                law,
                apparent,
                frozen,
                lookup,
            )
        for lane in range(_L):
            unconverged[lane] += work[2 * _L + lane]


@compiled
def circulation_coupled(
    flow,
    parameter,
    work,
    fit,
    downwash,
    damping,
    laws,
    steps,
    apparent,
    frozen,
    lookup,
    unconverged,
):
    """Effective downwash of all strips through the stroke on a lifting line.

    Notes
    -----
    ``B = fit q_lagged - correction``, with ``correction = damping * fit deficit(q_c)`` and
    ``q_c = q_lagged - downwash B``: a fixed point in the mode amplitudes, reached by relaxation
    whose factor follows from the last two residuals (Irons, B. M. & Tuck, R. C. 1969, Int. J.
    Numerical Methods in Engineering 1, 275), starting from the instant before.
    ``work`` holds four rows of modes and five of lanes: attached amplitudes, corrections,
    residuals, last residuals; relaxation, 1 while a lane is being solved, scale, and two sums.
    """
    strips = laws.size
    count = damping.size
    block = FLOW_ROWS * _L
    attached, correction = 0, count * _L
    residual, last = 2 * count * _L, 3 * count * _L
    relax = 4 * count * _L
    live, scale, dot, norm = relax + _L, relax + 2 * _L, relax + 3 * _L, relax + 4 * _L
    for i in range(relax):
        work[i] = 0.0
    for n in range(steps):
        for m in range(count):
            for lane in range(_L):
                work[attached + m * _L + lane] = 0.0
            for j in range(strips):
                f = ((j * steps + n) * block + FLOW_Q_LAGGED * _L) & _MASK
                o = ((m * strips + j) * _L) & _MASK
                for lane in range(_L):
                    work[attached + m * _L + lane] += fit[o + lane] * flow[f + lane]
        for lane in range(_L):
            work[relax + lane] = 1.0
            work[live + lane] = 1.0
            work[scale + lane] = 1e-300
        for m in range(count):
            for lane in range(_L):
                work[scale + lane] += abs(work[attached + m * _L + lane])
        for sweep in range(_MOST_SWEEPS):
            found = False
            for j in range(strips):
                f = ((j * steps + n) * block) & _MASK
                for lane in range(_L):
                    flow[f + FLOW_Q_CIRCULATION * _L + lane] = flow[f + FLOW_Q_LAGGED * _L + lane]
                for m in range(count):
                    o = ((j * count + m) * _L) & _MASK
                    for lane in range(_L):
                        flow[f + FLOW_Q_CIRCULATION * _L + lane] -= downwash[o + lane] * (
                            work[attached + m * _L + lane] - work[correction + m * _L + lane]
                        )
                here = deficits(
                    flow,
                    parameter,
                    j,
                    f,
                    laws[j],
                    apparent,
                    frozen,
                    lookup,
                )
                found = found or here
            if not found:
                # Nothing separated here; the correction left from the instant before must go too.
                settled = True
                for i in range(count * _L):
                    settled = settled and work[correction + i] == 0.0
                if settled:
                    for lane in range(_L):
                        work[live + lane] = 0.0
                    break
            for lane in range(_L):
                work[dot + lane] = 0.0
                work[norm + lane] = 0.0
            for m in range(count):
                for lane in range(_L):
                    work[residual + m * _L + lane] = 0.0
                for j in range(strips):
                    f = ((j * steps + n) * block + FLOW_SCRATCH_1 * _L) & _MASK
                    o = ((m * strips + j) * _L) & _MASK
                    for lane in range(_L):
                        work[residual + m * _L + lane] += fit[o + lane] * flow[f + lane]
                for lane in range(_L):
                    r = (
                        damping[m] * work[residual + m * _L + lane]
                        - work[correction + m * _L + lane]
                    )
                    change = r - work[last + m * _L + lane]
                    work[residual + m * _L + lane] = r
                    work[dot + lane] += work[last + m * _L + lane] * change
                    work[norm + lane] += change * change
            left = 0
            for lane in range(_L):
                worst = 0.0
                for m in range(count):
                    worst = max(worst, abs(work[residual + m * _L + lane]))
                keep = 1.0 if worst > _TOLERANCE * 10.0 * work[scale + lane] else 0.0
                keep *= work[live + lane]
                work[live + lane] = keep
                left += 1 if keep > 0.0 else 0
                factor = -work[relax + lane] * work[dot + lane] / (work[norm + lane] + 1e-300)
                factor = 1.0 if sweep == 0 else min(max(factor, 0.2), 2.0)
                work[relax + lane] = factor
            if left == 0:
                break
            for m in range(count):
                for lane in range(_L):
                    r = work[residual + m * _L + lane]
                    work[correction + m * _L + lane] += work[live + lane] * work[relax + lane] * r
                    work[last + m * _L + lane] = r
        for lane in range(_L):
            unconverged[lane] += work[live + lane]
