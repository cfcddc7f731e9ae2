"""The strip kernel's one way in: a batch of designs, block by block."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from flapsim.aero.compiled import compiled
from flapsim.aero.elementary import sine_cosine
from flapsim.aero.section import REYNOLDS_FLOOR, TABLE, friction_coefficient
from flapsim.aero.wake import SEPARATION_LAG
from flapsim.blade_element.batch import Batch, Disturbance, Solution
from flapsim.blade_element.circulation import circulation_coupled, circulation_local
from flapsim.blade_element.flow import (
    evaluate_schedules,
    hold_wake,
    release_wake,
    segment_motion,
    separation_lag,
    strip_flow,
    wake_lag,
)
from flapsim.blade_element.layout import (
    CONST_AIR_ANGLE,
    CONST_CLIMB,
    CONST_COS_AIR,
    CONST_COS_TILT,
    CONST_COS_UP,
    CONST_ROWS,
    CONST_SIN_AIR,
    CONST_SIN_TILT,
    CONST_SIN_UP,
    CONST_TILT,
    CONST_VISCOSITY,
    FIELD_AFT,
    FIELD_ATTACHED,
    FIELD_CIRCULATION,
    FIELD_COS,
    FIELD_DOWNWASH,
    FIELD_INDUCED,
    FIELD_LOSS,
    FIELD_MOMENT,
    FIELD_NORMAL,
    FIELD_ROWS,
    FIELD_SEMICHORDS,
    FIELD_SIN,
    FIELD_U,
    FIELD_W,
    FLOW_AFT,
    FLOW_ATTACHED,
    FLOW_CIRCULATION,
    FLOW_COS,
    FLOW_MOMENT,
    FLOW_NORMAL,
    FLOW_Q,
    FLOW_Q_CIRCULATION,
    FLOW_Q_LAGGED,
    FLOW_ROWS,
    FLOW_SEMICHORDS,
    FLOW_SIN,
    FLOW_SPIN,
    FLOW_U,
    FLOW_W,
    HINGE_ROWS,
    INDUCED_LIFTING_LINE,
    INDUCED_SLOPE,
    KICK_ROWS,
    LANES,
    OFFSET_MASK,
    PAR_CAMBER,
    PAR_CHORD,
    PAR_FRICTION,
    PAR_ROWS,
    SCHEDULES,
    SEG_ROWS,
    SEG_TWIST_ROOT,
    SERIES_ROWS,
    SUM_ROWS,
    VERDICT_COS_INCIDENCE,
    VERDICT_REYNOLDS,
    VERDICT_ROWS,
    VERDICT_UNCONVERGED,
)
from flapsim.blade_element.loads import half_wing_series, strip_inertia, strip_loads

_L = LANES
_MASK = OFFSET_MASK
Array = NDArray[np.float64]


@lru_cache(maxsize=64)
def _phases(steps: int, harmonics: int) -> Array:
    """Cosines and sines of all harmonics at all steps, shared by every lane."""
    tau = 2.0 * np.pi * np.outer(np.arange(steps), np.arange(harmonics + 1)) / steps
    out: Array = np.stack([np.cos(tau), np.sin(tau)], axis=-1).ravel()
    return out


@compiled
def _load(target, source, first, designs):
    """Copy a block's lanes of ``source[row, design]``; the last design fills up the block."""
    for row in range(source.shape[0]):
        for lane in range(_L):
            target[row * _L + lane] = source[row, min(first + lane, designs - 1)]


@compiled
def _strip_reynolds(
    flow,
    parameter,
    constant,
    work,
    friction,
    table_first,
    table_blend,
    log_reynolds,
    verdict,
    strip,
    slot,
    steps,
    law,
    friction_kind,
    first,
    count,
    block,
    designs,
):
    """Reynolds number of a strip from its rms speed, and the friction or table that follows."""
    p = (strip * PAR_ROWS * _L) & _MASK
    for lane in range(_L):
        work[lane] = 0.0
    for n in range(steps):
        f = (((slot * steps + n) * FLOW_ROWS + FLOW_SEMICHORDS) * _L) & _MASK
        for lane in range(_L):
            work[lane] += flow[f + lane] * flow[f + lane]
    for lane in range(_L):
        chord = parameter[p + PAR_CHORD * _L + lane]
        speed = 0.5 * chord * math.sqrt(work[lane] / steps)
        reynolds = chord * speed / constant[CONST_VISCOSITY * _L + lane]
        friction[lane] = friction_coefficient(
            friction_kind, parameter[p + PAR_FRICTION * _L + lane], reynolds
        )
        design = block * _L + lane
        if design < designs:
            verdict[VERDICT_REYNOLDS, design] = min(verdict[VERDICT_REYNOLDS, design], reynolds)
        if law == TABLE:
            x = math.log(max(reynolds, REYNOLDS_FLOOR))
            i = 0
            while i < count - 2 and x > log_reynolds[first + i + 1]:
                i += 1
            blend = 0.0
            if count > 1:
                low, high = log_reynolds[first + i], log_reynolds[first + i + 1]
                blend = min(max((x - low) / (high - low), 0.0), 1.0)
            table_first[strip * _L + lane] = first + i
            table_blend[strip * _L + lane] = blend


@compiled
def _keep_fields(fields, flow, parameter, friction, strip, slot, steps, law, apparent, block):
    """Copy one strip of a block to the result, where somebody asked for it."""
    designs = fields.shape[3]
    p = (strip * PAR_ROWS * _L) & _MASK
    for n in range(steps):
        f = ((slot * steps + n) * FLOW_ROWS * _L) & _MASK
        for lane in range(min(_L, designs - block * _L)):
            design = block * _L + lane
            u = flow[f + FLOW_U * _L + lane]
            spin = flow[f + FLOW_SPIN * _L + lane]
            q_c = flow[f + FLOW_Q_CIRCULATION * _L + lane]
            w = q_c - parameter[p + PAR_CAMBER * _L + lane] * u
            if law != TABLE:
                w -= apparent * 0.25 * parameter[p + PAR_CHORD * _L + lane] * spin
            normal = flow[f + FLOW_NORMAL * _L + lane]
            aft = flow[f + FLOW_AFT * _L + lane]
            moment = flow[f + FLOW_MOMENT * _L + lane]
            out = fields[strip, n]
            out[FIELD_U, design] = u
            out[FIELD_W, design] = w
            out[FIELD_INDUCED, design] = flow[f + FLOW_Q_LAGGED * _L + lane] - q_c
            out[FIELD_ATTACHED, design] = flow[f + FLOW_ATTACHED * _L + lane]
            out[FIELD_CIRCULATION, design] = flow[f + FLOW_CIRCULATION * _L + lane]
            out[FIELD_NORMAL, design] = normal
            out[FIELD_AFT, design] = aft
            out[FIELD_MOMENT, design] = moment
            out[FIELD_SIN, design] = flow[f + FLOW_SIN * _L + lane]
            out[FIELD_COS, design] = flow[f + FLOW_COS * _L + lane]
            out[FIELD_LOSS, design] = (
                normal * flow[f + FLOW_W * _L + lane] + aft * u - moment * spin
            )
            out[FIELD_DOWNWASH, design] = flow[f + FLOW_Q * _L + lane]
            out[FIELD_SEMICHORDS, design] = flow[f + FLOW_SEMICHORDS * _L + lane]


@compiled
def _summarise(series, summary, steps):
    """Mean, least and greatest value of every row of the series."""
    least, most = SERIES_ROWS * _L, 2 * SERIES_ROWS * _L
    for i in range(SERIES_ROWS * _L):
        summary[i] = 0.0
        summary[least + i] = math.inf
        summary[most + i] = -math.inf
    for n in range(steps):
        f = (n * SERIES_ROWS * _L) & _MASK
        for i in range(SERIES_ROWS * _L):
            x = series[f + i]
            summary[i] += x
            summary[least + i] = min(summary[least + i], x)
            summary[most + i] = max(summary[most + i], x)
    for i in range(SERIES_ROWS * _L):
        summary[i] /= steps


@compiled
def _air_and_tilt(constant):
    """Sines and cosines that are the same all through the stroke."""
    for lane in range(_L):
        sine, cosine = sine_cosine(constant[CONST_AIR_ANGLE * _L + lane])
        constant[CONST_SIN_AIR * _L + lane] = sine
        constant[CONST_COS_AIR * _L + lane] = cosine
        sine, cosine = sine_cosine(constant[CONST_TILT * _L + lane])
        constant[CONST_SIN_TILT * _L + lane] = sine
        constant[CONST_COS_TILT * _L + lane] = cosine
        # The vertical leans back from the flight path's normal by the climb.
        sine, cosine = sine_cosine(
            constant[CONST_AIR_ANGLE * _L + lane] + constant[CONST_CLIMB * _L + lane]
        )
        constant[CONST_SIN_UP * _L + lane] = sine
        constant[CONST_COS_UP * _L + lane] = cosine


@compiled
def _kick_motion(disturbed, motion, kick, steps):
    """Add constant departures to twist, its rate and its acceleration, at root and along."""
    for i in range(motion.size):
        disturbed[i] = motion[i]
    for segment in range(2):
        for n in range(steps):
            t = (((segment * steps + n) * SEG_ROWS + SEG_TWIST_ROOT) * _L) & _MASK
            for i in range(6 * _L):
                disturbed[t + i] += kick[segment * 6 * _L + i]


@compiled
def _solve_blocks(
    first_block,
    last_block,
    constants,
    parameters,
    schedules,
    harmonics,
    phases,
    segments,
    laws,
    frictions,
    fits,
    downwashes,
    damping,
    tables,
    log_reynolds,
    table_range,
    induced,
    poles,
    lagged,
    apparent_mass,
    inertia,
    kicked,
    kicks,
    wake_kicks,
    steps,
    mean,
    low,
    high,
    verdict,
    series_out,
    fields,
):
    """Solve the designs of some blocks; one call per thread."""
    designs = constants.shape[1]
    strips = parameters.shape[0]
    coefficients = schedules.shape[1]
    count = fits.shape[0]
    coupled = induced == INDUCED_LIFTING_LINE
    slots = strips if coupled else 1
    segment_count = segments[strips - 1] + 1
    apparent = 1.0 if apparent_mass else 0.0
    reference = 0.75 if apparent_mass else 0.25
    slope = 1.0 if induced == INDUCED_SLOPE else 0.0

    constant = np.empty(CONST_ROWS * _L)
    parameter = np.empty(strips * PAR_ROWS * _L)
    schedule = np.empty(SCHEDULES * coefficients * _L)
    fit = np.empty(count * strips * _L)
    downwash = np.empty(count * strips * _L)
    hinge = np.empty(steps * HINGE_ROWS * _L)
    motion = np.empty(2 * steps * SEG_ROWS * _L)
    disturbed = np.empty(2 * steps * SEG_ROWS * _L if kicked else 0)
    kick = np.empty(KICK_ROWS * _L)
    wake_kick = np.empty(strips * _L)
    sums = np.empty(2 * steps * SUM_ROWS * _L)
    flow = np.zeros(slots * steps * FLOW_ROWS * _L)
    series = np.empty(steps * SERIES_ROWS * _L)
    summary = np.empty(3 * SERIES_ROWS * _L)
    work = np.empty((4 * count + 8) * _L)
    friction = np.empty(strips * _L)
    table_first = np.zeros(strips * _L, np.int64)
    table_blend = np.zeros(strips * _L)
    lookup = (tables, table_first, table_blend)
    unconverged = np.empty(_L)
    least_cosine = np.empty(_L)

    for block in range(first_block, last_block):
        begin = block * _L
        _load(constant, constants, begin, designs)
        _air_and_tilt(constant)
        for j in range(strips):
            _load(parameter[j * PAR_ROWS * _L :], parameters[j], begin, designs)
        for row in range(SCHEDULES):
            _load(schedule[row * coefficients * _L :], schedules[row], begin, designs)
        for m in range(count):
            _load(fit[m * strips * _L :], fits[m], begin, designs)
        for j in range(strips):
            if coupled:
                _load(downwash[j * count * _L :], downwashes[j], begin, designs)
        for lane in range(_L):
            unconverged[lane] = 0.0
            least_cosine[lane] = 1.0
        evaluate_schedules(hinge, schedule, harmonics, phases, constant, steps)
        for segment in range(segment_count):
            segment_motion(motion, hinge, constant, segment, steps)
        if kicked:
            _load(kick, kicks, begin, designs)
            _load(wake_kick, wake_kicks, begin, designs)
            _kick_motion(disturbed, motion, kick, steps)
        for i in range(sums.size):
            sums[i] = 0.0

        # Without a lifting line each strip goes all the way at once and its rows stay in the cache;
        # with one, all strips must know their downwash before any knows its circulation.
        passes = 2 if coupled else 1
        for stage in range(passes):
            if stage == 1:
                circulation_coupled(
                    flow,
                    parameter,
                    work,
                    fit,
                    downwash,
                    damping,
                    laws,
                    steps,
                    apparent,
                    False,
                    lookup,
                    unconverged,
                )
                if lagged:
                    for j in range(strips):
                        separation_lag(
                            flow, constant, work, SEPARATION_LAG, FLOW_ATTACHED, j, steps
                        )
                    circulation_coupled(
                        flow,
                        parameter,
                        work,
                        fit,
                        downwash,
                        damping,
                        laws,
                        steps,
                        apparent,
                        True,
                        lookup,
                        unconverged,
                    )
            for j in range(strips):
                slot = j if coupled else 0
                if stage == 0:
                    strip_flow(
                        flow, motion, parameter, constant, segments[j], j, slot, reference, steps
                    )
                    _strip_reynolds(
                        flow,
                        parameter,
                        constant,
                        work,
                        friction[j * _L :],
                        table_first,
                        table_blend,
                        log_reynolds,
                        verdict,
                        j,
                        slot,
                        steps,
                        laws[j],
                        frictions[j],
                        table_range[j, 0],
                        table_range[j, 1],
                        block,
                        designs,
                    )
                    wake_lag(flow, constant, work, poles, slot, steps)
                    if kicked:
                        hold_wake(flow, slot, steps)
                        strip_flow(
                            flow,
                            disturbed,
                            parameter,
                            constant,
                            segments[j],
                            j,
                            slot,
                            reference,
                            steps,
                        )
                        release_wake(flow, wake_kick[j * _L :], slot, steps)
                if not coupled:
                    circulation_local(
                        flow,
                        parameter,
                        constant,
                        work,
                        j,
                        slot,
                        steps,
                        laws[j],
                        slope,
                        apparent,
                        False,
                        lookup,
                        unconverged,
                    )
                    if lagged:
                        separation_lag(
                            flow, constant, work, SEPARATION_LAG, FLOW_ATTACHED, slot, steps
                        )
                        circulation_local(
                            flow,
                            parameter,
                            constant,
                            work,
                            j,
                            slot,
                            steps,
                            laws[j],
                            slope,
                            apparent,
                            True,
                            lookup,
                            unconverged,
                        )
                if stage == passes - 1:
                    strip_loads(
                        flow,
                        sums,
                        parameter,
                        constant,
                        friction[j * _L :],
                        least_cosine,
                        segments[j],
                        j,
                        slot,
                        steps,
                        laws[j],
                        apparent,
                        lagged,
                        lookup,
                    )
                    if inertia:
                        strip_inertia(
                            flow, motion, sums, parameter, constant, segments[j], j, slot, steps
                        )
                    if fields.shape[0] > 0:
                        _keep_fields(
                            fields,
                            flow,
                            parameter,
                            friction,
                            j,
                            slot,
                            steps,
                            laws[j],
                            apparent,
                            block,
                        )
        half_wing_series(series, sums, hinge, constant, segment_count, steps)
        for lane in range(min(_L, designs - begin)):
            verdict[VERDICT_COS_INCIDENCE, begin + lane] = least_cosine[lane]
            verdict[VERDICT_UNCONVERGED, begin + lane] = unconverged[lane]
        _summarise(series, summary, steps)
        for row in range(SERIES_ROWS):
            for lane in range(min(_L, designs - begin)):
                mean[row, begin + lane] = summary[row * _L + lane]
                low[row, begin + lane] = summary[(SERIES_ROWS + row) * _L + lane]
                high[row, begin + lane] = summary[(2 * SERIES_ROWS + row) * _L + lane]
        for n in range(series_out.shape[0]):
            for row in range(SERIES_ROWS):
                for lane in range(min(_L, designs - begin)):
                    series_out[n, row, begin + lane] = series[(n * SERIES_ROWS + row) * _L + lane]


def solve(
    batch: Batch,
    *,
    series: bool = False,
    fields: bool = False,
    inertia: bool = True,
    disturbance: Disturbance | None = None,
    threads: int = 1,
) -> Solution:
    """Periodic loads and powers of a batch of half wings.

    Parameters
    ----------
    batch : Batch
        The designs.
    series : bool
        Whether to return the stroke step by step.
    fields : bool
        Whether to return every strip at every step.
    inertia : bool
        Whether to compute the rate of the wing's kinetic energy and the torques of its mass.
    disturbance : Disturbance, optional
        Departure from the periodic motion, the same at every instant: the loads are then those
        of a wing that just departed, with the shed wake of the undisturbed motion.
    threads : int
        Threads to work on; results do not depend on it.

    Returns
    -------
    Solution
    """
    designs = batch.constant.shape[1]
    strips = batch.parameter.shape[0]
    steps = batch.steps
    used = np.abs(batch.schedule).max(axis=2) > 0.0
    half = (batch.schedule.shape[1] - 1) // 2
    order = np.arange(1, half + 1)
    harmonics = np.max(
        order * (used[:, 1 : half + 1] | used[:, half + 1 :]), axis=1, initial=0
    ).astype(np.int64)
    mean = np.empty((SERIES_ROWS, designs))
    low, high = np.empty_like(mean), np.empty_like(mean)
    verdict = np.full((VERDICT_ROWS, designs), np.inf)
    series_out = np.empty((steps if series else 0, SERIES_ROWS, designs))
    fields_out = np.empty((strips, steps, FIELD_ROWS, designs) if fields else (0, 0, FIELD_ROWS, 1))
    blocks = -(-designs // _L)
    kicks = np.zeros((KICK_ROWS, 1)) if disturbance is None else disturbance.twist
    wake_kicks = np.zeros((strips, 1)) if disturbance is None else disturbance.wake

    def work(first: int, last: int) -> None:
        _solve_blocks(
            first,
            last,
            batch.constant,
            batch.parameter,
            batch.schedule,
            harmonics,
            _phases(steps, half),
            batch.segment,
            batch.law,
            batch.friction,
            batch.fit,
            batch.downwash,
            batch.damping,
            batch.tables,
            batch.log_reynolds,
            batch.table_range,
            batch.induced,
            batch.poles,
            batch.lagged_stall,
            batch.apparent_mass,
            inertia,
            disturbance is not None,
            kicks,
            wake_kicks,
            steps,
            mean,
            low,
            high,
            verdict,
            series_out,
            fields_out,
        )

    threads = max(1, min(threads, blocks, os.cpu_count() or 1))
    if threads == 1:
        work(0, blocks)
    else:
        # More pieces than threads, so that a thread with easy designs helps the others.
        pieces = np.unique(np.linspace(0, blocks, 8 * threads + 1).astype(int))
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(work, pieces[:-1].tolist(), pieces[1:].tolist()))
    return Solution(mean, low, high, verdict, series_out, fields_out)
