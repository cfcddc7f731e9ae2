"""How much circulation each strip makes when the trailing sheet couples all of them.

``B = fit q_lagged - correction``, ``q_c = q_lagged - downwash B``, with ``correction = fit linear +
damping * fit stall``: ``stall`` is the deficit that stall makes, ``linear`` that of a table whose
attached flow is not a thin plate's (see `flapsim.half_wing.induced`). Instants at which attached
flow has no deficit are done at once. Each design goes through its other instants in order, side
by side with designs that may be at other instants of theirs.
"""

from __future__ import annotations

import math

import numpy as np

from flapsim.kernel import layout as at
from flapsim.kernel.circulation import look_up, plate_deficit, plate_separates, table_deficit
from flapsim.kernel.compiled import compiled, inlined
from flapsim.kernel.lanes import ALL_LANES, LANES, anywhere, both, lanes_where, put, row, select
from flapsim.kernel.section import TABLE, THIN_PLATE

_MOST_SWEEPS = 300
_TOLERANCE = 1e-12


@compiled
def circulation_coupled(
    flow,
    parameter,
    fit,
    downwash,
    line,
    modes,
    queue,
    waiting,
    damping,
    verdict,
    laws,
    options,
    lookup,
):
    """Effective downwash of all strips through the stroke.

    ``waiting`` takes, for every design, how many instants have a deficit, and which.
    """
    apparent, lags, steps = options.apparent, options.lags, options.steps
    strips = laws.size
    most = 0
    for lane in range(LANES):
        waiting[lane * (steps + 1)] = 0
    for n in range(steps):
        put(queue, n, _attached_instant(flow, fit, downwash, modes, n, strips, steps))
        which = _with_deficit(flow, parameter, n, laws, apparent, lags, steps)
        if which != 0:
            most = max(most, _enqueue(waiting, which, n, steps))
    before = np.full(LANES, -2)
    modes[:] = 0.0
    for i in range(most):
        live = _gather(flow, line, modes, queue, waiting, before, i, strips, steps)
        live = _settle(parameter, fit, downwash, line, modes, damping, laws, lags, lookup, live)
        put(verdict, at.BLOCK_UNSETTLED, row(verdict, at.BLOCK_UNSETTLED) + select(live, 1.0, 0.0))
        _scatter(flow, line, waiting, before, i, strips, steps)


@inlined
def _attached_instant(flow, fit, downwash, modes, n, strips, steps):
    """Effective downwash of all strips as if nothing separated; the scale of the amplitudes."""
    count = (modes.size // LANES) // 4
    scale = 0.0 * row(modes, 0) + 1e-300
    for m in range(count):
        amplitude = 0.0 * scale
        for j in range(strips):
            lagged = row(flow, (j * steps + n) * at.FLOW_ROWS + at.FLOW_Q_LAGGED)
            amplitude += row(fit, m * strips + j) * lagged
        put(modes, m, amplitude)
        scale += abs(amplitude)
    for j in range(strips):
        f = (j * steps + n) * at.FLOW_ROWS
        q = row(flow, f + at.FLOW_Q_LAGGED)
        for m in range(count):
            q -= row(downwash, j * count + m) * row(modes, m)
        put(flow, f + at.FLOW_Q_CIRCULATION, q)
    return scale


@inlined
def _with_deficit(flow, parameter, n, laws, apparent, lags, steps):
    """Designs of which any strip has a deficit at an instant, as bits.

    The effective downwash at which a plate has no incidence is left in `FLOW_SCRATCH_1`.
    """
    which = 0
    for j in range(laws.size):
        f, p = (j * steps + n) * at.FLOW_ROWS, j * at.PAR_ROWS
        u, q = row(flow, f + at.FLOW_U), row(flow, f + at.FLOW_Q_CIRCULATION)
        quarter = apparent * 0.25 * row(parameter, p + at.PAR_CHORD)
        shift = row(parameter, p + at.PAR_CAMBER) * u + quarter * row(flow, f + at.FLOW_SPIN)
        put(flow, f + at.FLOW_SCRATCH_1, shift)
        if not lags:
            put(flow, f + at.FLOW_ATTACHED, 1.0)
        if laws[j] == THIN_PLATE:
            onset, attached = row(parameter, p + at.PAR_ONSET), row(flow, f + at.FLOW_ATTACHED)
            which |= lanes_where(plate_separates(q, u, shift, onset, attached, lags))
        elif laws[j] == TABLE:
            which |= ALL_LANES
    return which


@inlined
def _enqueue(waiting, which, n, steps):
    """Note an instant for some designs; the longest queue there is now."""
    most = 0
    for lane in range(LANES):
        if which & (1 << lane):
            first = lane * (steps + 1)
            waiting[first] += 1
            waiting[first + waiting[first]] = n
            most = max(most, waiting[first])
    return most


@compiled
def _gather(flow, line, modes, queue, waiting, before, i, strips, steps):
    """Bring the i-th instant of every design's queue together; where there is one.

    What corrected the instant before is where a design starts from, if that was the one it did
    last, else nothing. The scale of its amplitudes is left in the last row of ``modes``.
    """
    count = (modes.size // LANES) // 4
    for lane in range(LANES):
        here = i < waiting[lane * (steps + 1)]
        n = waiting[lane * (steps + 1) + 1 + i] if here else 0
        for j in range(strips):
            f, o = (j * steps + n) * at.FLOW_ROWS * LANES + lane, j * at.LINE_ROWS * LANES + lane
            line[o + at.LINE_Q_ATTACHED * LANES] = flow[f + at.FLOW_Q_CIRCULATION * LANES]
            line[o + at.LINE_U * LANES] = flow[f + at.FLOW_U * LANES]
            line[o + at.LINE_SHIFT * LANES] = flow[f + at.FLOW_SCRATCH_1 * LANES]
            line[o + at.LINE_ATTACHED * LANES] = flow[f + at.FLOW_ATTACHED * LANES]
        if n != before[lane] + 1:
            for m in range(count):
                modes[m * LANES + lane] = 0.0
        modes[3 * count * LANES + lane] = queue[n * LANES + lane] if here else -1.0
    return row(modes, 3 * count) > 0.0


@compiled
def _scatter(flow, line, waiting, before, i, strips, steps):
    """Return the i-th instant of every design's queue."""
    for lane in range(LANES):
        if i < waiting[lane * (steps + 1)]:
            n = waiting[lane * (steps + 1) + 1 + i]
            for j in range(strips):
                f, o = (
                    (j * steps + n) * at.FLOW_ROWS * LANES + lane,
                    j * at.LINE_ROWS * LANES + lane,
                )
                flow[f + at.FLOW_Q_CIRCULATION * LANES] = line[o + at.LINE_Q * LANES]
                flow[f + at.FLOW_ATTACHED * LANES] = line[o + at.LINE_ATTACHED * LANES]
            before[lane] = n


@compiled
def _settle(parameter, fit, downwash, line, modes, damping, laws, lags, lookup, live):
    """Solve an instant of every design; return which did not converge.

    A fixed point in the mode amplitudes, reached by relaxation whose factor follows from the last
    two residuals (Irons, B. M. & Tuck, R. C. 1969, Int. J. Numerical Methods in Engineering 1,
    275). ``modes`` holds three rows of each mode: corrections, residuals, last residuals; then the
    scale of the amplitudes.
    """
    count, strips = damping.size, laws.size
    tolerance = _TOLERANCE * row(modes, 3 * count)
    factor = 0.0 * tolerance + 1.0
    for sweep in range(_MOST_SWEEPS):
        for j in range(strips):
            o = j * at.LINE_ROWS
            q = row(line, o + at.LINE_Q_ATTACHED)
            for m in range(count):
                q += row(downwash, j * count + m) * row(modes, m)
            put(line, o + at.LINE_Q, q)
            if laws[j] == THIN_PLATE:
                _plate_deficits(parameter, line, j, lags)
            elif laws[j] == TABLE:
                _table_deficits(line, j, lags, lookup)
        dot, norm, worst = 0.0 * factor, 0.0 * factor + 1e-300, 0.0 * factor
        for m in range(count):
            asked = 0.0 * factor
            for j in range(strips):
                o = j * at.LINE_ROWS
                deficit = damping[m] * row(line, o + at.LINE_STALL) + row(line, o + at.LINE_LINEAR)
                asked += row(fit, m * strips + j) * deficit
            before = row(modes, 2 * count + m)
            r = asked - row(modes, m)
            put(modes, count + m, r)
            dot += before * (r - before)
            norm += (r - before) * (r - before)
            worst = max(worst, abs(r))
        live = both(live, worst > tolerance)
        if not anywhere(live):
            break
        if sweep > 0:
            factor = min(max(-factor * dot / norm, 0.2), 2.0)
        for m in range(count):
            r = row(modes, count + m)
            put(modes, m, row(modes, m) + select(live, factor * r, 0.0))
            put(modes, 2 * count + m, r)
    return live


@inlined
def _plate_deficits(parameter, line, strip, lags):
    """Deficits of the thin plates of a strip, one instant of every design."""
    o, p = strip * at.LINE_ROWS, strip * at.PAR_ROWS
    q, u, shift = row(line, o + at.LINE_Q), row(line, o + at.LINE_U), row(line, o + at.LINE_SHIFT)
    onset, attached = row(parameter, p + at.PAR_ONSET), row(line, o + at.LINE_ATTACHED)
    separates = plate_separates(q, u, shift, onset, attached, lags)
    put(line, o + at.LINE_STALL, 0.0)
    if not lags:
        put(line, o + at.LINE_ATTACHED, 1.0)
    if anywhere(separates):
        drag, inverse = (
            row(parameter, p + at.PAR_PLATE_DRAG),
            row(parameter, p + at.PAR_INVERSE_RANGE),
        )
        deficit, attached = plate_deficit(q, u, shift, drag, onset, inverse, attached, lags)
        put(line, o + at.LINE_STALL, select(separates, deficit, 0.0))
        if not lags:
            put(line, o + at.LINE_ATTACHED, select(separates, attached, 1.0))


@inlined
def _table_deficits(line, strip, lags, lookup):
    """The same for sections with tables, design by design."""
    values, table_first, table_blend = lookup
    for lane in range(LANES):
        o = strip * at.LINE_ROWS * LANES + lane
        first, blend = table_first[strip * LANES + lane], table_blend[strip * LANES + lane]
        q, u = line[o + at.LINE_Q * LANES], line[o + at.LINE_U * LANES]
        attached = line[o + at.LINE_ATTACHED * LANES]
        deficit, attached = table_deficit(q, u, values, first, blend, attached, lags)
        lift = look_up(values, first, blend, at.TABLE_ATTACHED_LIFT, math.atan2(q, u))
        linear = q - 0.5 / math.pi * math.sqrt(u * u + q * q) * lift
        line[o + at.LINE_STALL * LANES] = deficit - linear
        line[o + at.LINE_LINEAR * LANES] = linear
        line[o + at.LINE_ATTACHED * LANES] = attached
