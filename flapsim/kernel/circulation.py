"""How much circulation each strip makes on its own: induced velocity and separation together.

The unknown of a strip is the effective downwash ``q_c``: the lagged one less the induced
velocity, which itself follows from the circulation. For attached flow the circulation is
``pi c q_c`` and the equation is linear; what separation takes away is the *deficit*,
``q_c - circulation/(pi c)`` (plus where the flow is reversed and the sheet trails off the leading
edge), and is found by iteration on the few strips that have one. What has converged is left alone,
so that a design's answer never depends on its neighbours. `flapsim.kernel.lifting_line`
does the same where a lifting line couples the strips.
"""

from __future__ import annotations

import math

import numpy as np

from flapsim.kernel import layout as at
from flapsim.kernel.compiled import compiled, inlined
from flapsim.kernel.lanes import ALL_LANES, LANES, anywhere, either, lanes_where, put, row, select
from flapsim.kernel.section import (
    TABLE,
    THIN_PLATE,
    attached_length,
    attached_weight,
    plate_separated,
)

_MOST_SECANTS = 60
_CREEPING = 8
_TOLERANCE = 1e-13
_GRID_PER_RADIAN = 180.0 / math.pi / at.TABLE_STEP_DEG
_TURN = round(360.0 / at.TABLE_STEP_DEG)
_QUEUE_FROM_FLOW = (
    (at.QUEUE_Q, at.FLOW_Q_CIRCULATION),
    (at.QUEUE_LAGGED, at.FLOW_Q_LAGGED),
    (at.QUEUE_U, at.FLOW_U),
    (at.QUEUE_SHIFT, at.FLOW_SCRATCH_1),
    (at.QUEUE_ATTACHED, at.FLOW_ATTACHED),
)
_QUEUE_FROM_PARAMETER = (
    (at.QUEUE_DRAG, at.PAR_PLATE_DRAG),
    (at.QUEUE_ONSET, at.PAR_ONSET),
    (at.QUEUE_INVERSE_RANGE, at.PAR_INVERSE_RANGE),
)


@inlined
def look_up(values, first, blend, column, alpha):
    """One column of a section table at an incidence.

    ``values``, shape (k, 6, n): tables, one Reynolds number after another; ``first``: the table
    below the strip's Reynolds number; ``blend``: weight of the table after it; ``column``: column;
    ``alpha``: incidence, rad, within half a turn.
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
def table_lift(values, first, blend, alpha, attached, lags):
    """Lift coefficient of a section table, with the attached length given or its own."""
    lift = look_up(values, first, blend, at.TABLE_LIFT, alpha)
    if lags:
        steady = look_up(values, first, blend, at.TABLE_ATTACHED, alpha)
        gain = look_up(values, first, blend, at.TABLE_LIFT_GAIN, alpha)
        lift += (attached_weight(attached) - attached_weight(steady)) * gain
    return lift


@inlined
def table_coefficients(values, first, blend, alpha):
    """Drag and moment coefficients of a section table."""
    drag = look_up(values, first, blend, at.TABLE_DRAG, alpha)
    return drag, look_up(values, first, blend, at.TABLE_MOMENT, alpha)


@inlined
def plate_separates(q, u, shift, onset, attached, lags):
    """Where a thin plate has a deficit.

    Asked without a root, since most strips are attached most of the time.
    """
    if lags:
        return attached < 1.0
    w = q - shift
    return either(w * w > onset * onset * (u * u + w * w), u <= 0.0)


@inlined
def plate_deficit(q, u, shift, drag, onset, inverse, attached, lags):
    """Deficit of a thin plate and its attached length.

    ``shift`` is the effective downwash at which the plate has no incidence.
    """
    w = q - shift
    if not lags:
        sine = w / (math.sqrt(u * u + w * w) + 1e-300)
        attached = attached_length(sine, u, onset, inverse)
    lost = 1.0 - attached_weight(attached)
    # The sheet trails downstream, whichever edge that is.
    _, bound = plate_separated(abs(u), w, drag)
    return lost * (q - bound), attached


@inlined
def table_deficit(q, u, values, first, blend, attached, lags):
    """The same for a section table, of one design."""
    alpha = math.atan2(q, u)
    lift = table_lift(values, first, blend, alpha, attached, lags)
    if not lags:
        attached = look_up(values, first, blend, at.TABLE_ATTACHED, alpha)
    # The sheet trails downstream: in reversed flow it lies ahead of the chord.
    bound = math.copysign(0.5, u) * math.sqrt(u * u + q * q) * lift / math.pi
    return q - bound, attached


@compiled
def circulation_local(flow, parameter, constant, verdict, queue, places, strip, options, lookup):
    """Effective downwash of one strip through the stroke, on its own: no or slope induction.

    ``q_c = q_lagged - k (q_c - deficit)``. Where attached flow has no deficit that is the answer;
    the rest, of whatever design and instant, queue up and are solved side by side.
    """
    steps, lags = options.steps, options.lags
    p = strip.number * at.PAR_ROWS
    shrink = 1.0 / (1.0 + row(constant, at.CONST_INDUCED_GAIN))
    onset, camber = row(parameter, p + at.PAR_ONSET), row(parameter, p + at.PAR_CAMBER)
    quarter = options.apparent * 0.25 * row(parameter, p + at.PAR_CHORD)
    waiting = np.int64(0)
    for n in range(steps):
        f = (strip.slot * steps + n) * at.FLOW_ROWS
        u = row(flow, f + at.FLOW_U)
        q = row(flow, f + at.FLOW_Q_LAGGED) * shrink
        put(flow, f + at.FLOW_Q_CIRCULATION, q)
        if not lags:
            put(flow, f + at.FLOW_ATTACHED, 1.0)
        which = 0
        if strip.law == THIN_PLATE:
            attached = row(flow, f + at.FLOW_ATTACHED)
            shift = camber * u + quarter * row(flow, f + at.FLOW_SPIN)
            put(flow, f + at.FLOW_SCRATCH_1, shift)
            which = lanes_where(plate_separates(q, u, shift, onset, attached, lags))
        elif strip.law == TABLE:
            which = ALL_LANES
        if which != 0:
            for lane in range(LANES):
                if which & (1 << lane):
                    places[waiting] = f * LANES + lane
                    waiting += 1
    _queue_up(queue, places, waiting, flow, parameter, constant, strip.number)
    _settle(queue, places, waiting, strip, lags, lookup)
    for i in range(waiting):
        f, o = places[i], _queued(i)
        flow[f + at.FLOW_Q_CIRCULATION * LANES] = queue[o + at.QUEUE_Q * LANES]
        flow[f + at.FLOW_ATTACHED * LANES] = queue[o + at.QUEUE_ATTACHED * LANES]
        verdict[at.BLOCK_UNSETTLED * LANES + f % LANES] += queue[o + at.QUEUE_UNSETTLED * LANES]


@inlined
def _queued(i):
    """Place of the first number of the i-th in the queue."""
    return (i // LANES) * at.QUEUE_ROWS * LANES + i % LANES


@compiled
def _queue_up(queue, places, waiting, flow, parameter, constant, strip):
    """Copy the numbers of all that wait; the last in the queue fills up its group."""
    p = strip * at.PAR_ROWS
    for i in range(-(-waiting // LANES) * LANES):
        f, o = places[min(i, waiting - 1)], _queued(i)
        design = f % LANES
        for kept, given in _QUEUE_FROM_FLOW:
            queue[o + kept * LANES] = flow[f + given * LANES]
        for kept, given in _QUEUE_FROM_PARAMETER:
            queue[o + kept * LANES] = parameter[(p + given) * LANES + design]
        queue[o + at.QUEUE_GAIN * LANES] = constant[at.CONST_INDUCED_GAIN * LANES + design]


@compiled
def _settle(queue, places, waiting, strip, lags, lookup):
    """Solve for the effective downwash of all in the queue by the secant rule.

    The slope is bounded by that of the steepest plausible stall and that of attached flow, with
    looser bounds once convergence is slow. Converged groups are dropped, so that others do not wait
    for them.
    """
    groups = -(-waiting // LANES)
    left = np.arange(groups)
    for trial in range(_MOST_SECANTS + 1):
        going = 0
        for i in range(groups):
            g = left[i]
            o = g * at.QUEUE_ROWS
            if strip.law == TABLE:
                _queued_table_deficits(queue, places, g, waiting, strip.number, lags, lookup)
            else:
                _queued_plate_deficits(queue, o, lags)
            gain, lagged, q = (
                row(queue, o + at.QUEUE_GAIN),
                row(queue, o + at.QUEUE_LAGGED),
                row(queue, o + at.QUEUE_Q),
            )
            steep = 1.0 + gain
            residual = steep * q - lagged - gain * row(queue, o + at.QUEUE_DEFICIT)
            moves = abs(residual) > _TOLERANCE * (abs(lagged) + abs(row(queue, o + at.QUEUE_U)))
            put(queue, o + at.QUEUE_UNSETTLED, select(moves, 1.0, 0.0))
            if not anywhere(moves):
                continue
            left[going] = g
            going += 1
            slope = steep
            if trial > 0:
                # After the step -last/slope the residual changed by residual - last.
                last = row(queue, o + at.QUEUE_LAST)
                slope = row(queue, o + at.QUEUE_SLOPE) * ((last - residual) / last)
                least = 0.2 if trial < _CREEPING else 0.02
                slope = min(max(slope, least * steep), 1.0 + 2.0 * gain)
            put(queue, o + at.QUEUE_Q, select(moves, q - residual / slope, q))
            put(queue, o + at.QUEUE_SLOPE, slope)
            put(queue, o + at.QUEUE_LAST, residual)
        groups = going
        if groups == 0:
            break


@inlined
def _queued_plate_deficits(queue, o, lags):
    """Deficits of a group of thin plates."""
    deficit, attached = plate_deficit(
        row(queue, o + at.QUEUE_Q),
        row(queue, o + at.QUEUE_U),
        row(queue, o + at.QUEUE_SHIFT),
        row(queue, o + at.QUEUE_DRAG),
        row(queue, o + at.QUEUE_ONSET),
        row(queue, o + at.QUEUE_INVERSE_RANGE),
        row(queue, o + at.QUEUE_ATTACHED),
        lags,
    )
    put(queue, o + at.QUEUE_DEFICIT, deficit)
    put(queue, o + at.QUEUE_ATTACHED, attached)


@compiled
def _queued_table_deficits(queue, places, group, waiting, strip, lags, lookup):
    """Deficits of a group of sections with tables."""
    values, table_first, table_blend = lookup
    for lane in range(LANES):
        o = group * at.QUEUE_ROWS * LANES + lane
        design = strip * LANES + places[min(group * LANES + lane, waiting - 1)] % LANES
        queue[o + at.QUEUE_DEFICIT * LANES], queue[o + at.QUEUE_ATTACHED * LANES] = table_deficit(
            queue[o + at.QUEUE_Q * LANES],
            queue[o + at.QUEUE_U * LANES],
            values,
            table_first[design],
            table_blend[design],
            queue[o + at.QUEUE_ATTACHED * LANES],
            lags,
        )
