"""Wagner's step: how lift grows after a sudden change of incidence.

Three ways.  The lag of the compiled kernel itself is driven through one quick step and compared
with Wagner's function and with Jones's two exponentials.  The whole solver is driven through a
heave whose speed changes sign quickly, and compared with the superposition of Wagner's response
over the same motion.  And the periodic state that the kernel finds in closed form is found once
more by marching the lag's differential equation with a general integrator.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from validation.check import Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import (
    AIRSPEED,
    CHORD,
    TWO_DIMENSIONAL,
    one_segment_wing,
    oscillating_wing,
    section_frequency,
)
from validation.theory_section import (
    JONES_DECAY,
    JONES_DEFICIENCY,
    theodorsen_function,
    wagner_function,
)

TITLE = "Wagner's step"

JONES = Source("Jones (1940)", Status.PUBLISHED)
WAGNER = Source("Wagner (1925)", Status.EXACT)
SCIPY = Source("scipy.integrate.solve_ivp", Status.EXACT)

FloatArray = NDArray[np.float64]

SEMICHORDS_A_STROKE = 640.0
"""Long enough that the slower exponential dies (5e-7) between the step and the step back."""

STEPS = 32768
PULSE = 0.25
"""Semichords over which the step in downwash is spread."""

MODEL_LAG = "kernel.flow.wake_lag, two-dimensional lag"
MODEL = "thin airfoil, two-dimensional lag, no induced velocity, no apparent mass"


@cache
def step_response() -> tuple[FloatArray, FloatArray]:
    """Semichords after the step, and lagged over quasi-steady downwash, from the kernel's lag."""
    from flapsim.half_wing.wake import JONES, POLES
    from flapsim.kernel import layout as at
    from flapsim.kernel.flow import wake_lag
    from flapsim.kernel.lanes import LANES

    lanes = LANES
    s = SEMICHORDS_A_STROKE * np.arange(STEPS) / STEPS
    half = SEMICHORDS_A_STROKE / 2.0
    # Downwash from -1/2 to 1/2 at s = half of half, and back: raised-cosine pulses of its rate.
    up, down = half / 2.0, half / 2.0 + half
    rate = raised_cosine(s - up) - raised_cosine(s - down)
    downwash = raised_step(s - up) - raised_step(s - down) - 0.5
    flow = np.zeros((STEPS, at.FLOW_ROWS, lanes))
    # One semichord a second: time and distance are the same number.
    flow[:, at.FLOW_SEMICHORDS] = 1.0
    flow[:, at.FLOW_Q_RATE] = rate[:, None]
    flow[:, at.FLOW_Q_LAGGED] = downwash[:, None]
    constant = np.zeros((at.CONST_ROWS, lanes))
    constant[at.CONST_FREQUENCY] = 1.0 / SEMICHORDS_A_STROKE
    for pole, (amplitude, decay) in enumerate(JONES):
        constant[at.CONST_LAG_AMPLITUDE_1 + 2 * pole] = amplitude
        constant[at.CONST_LAG_RATE_1 + 2 * pole] = decay
    flat = flow.ravel()
    wake_lag(flat, constant.ravel(), POLES, 0, STEPS)
    lagged = flat.reshape(flow.shape)[:, at.FLOW_Q_LAGGED, 0]
    after = (s >= up) & (s < down - 1.0)
    return s[after] - up, lagged[after] + 0.5


def raised_cosine(s: FloatArray) -> FloatArray:
    """Pulse of unit area over `PULSE`, centred at zero."""
    inside = np.abs(s) < PULSE / 2.0
    return np.where(inside, (1.0 + np.cos(2.0 * np.pi * s / PULSE)) / PULSE, 0.0)


def raised_step(s: FloatArray) -> FloatArray:
    """Integral of `raised_cosine`: from 0 to 1."""
    x = np.clip(s / PULSE, -0.5, 0.5)
    return np.asarray(0.5 + x + np.sin(2.0 * np.pi * x) / (2.0 * np.pi))


def checks() -> Checks:
    """Every comparison of this family."""
    yield JONES.absolute(
        "lift after a step, two exponentials, 0.5 to 100 semichords",
        MODEL_LAG,
        lambda: against_column("phi_jones", 0.5, 100.0),
        1e-4,
        "the step takes a quarter semichord (3e-5 of the fast exponential) in 13 time steps",
    )
    for high, limit, why in (
        (50.0, 0.0066, "Jones's two exponentials keep within 0.0065 up to 50 semichords"),
        (100.0, 0.0097, "and within 0.0096 beyond, where they come to rest too soon"),
    ):
        yield WAGNER.absolute(
            f"lift after a step, 0.5 to {high:g} semichords",
            MODEL_LAG,
            lambda high=high: against_column("phi_exact", 0.5, high),
            limit,
            why,
        )
    yield WAGNER.absolute(
        "lift after quick reversals of heave, superposed response, on the step",
        MODEL,
        reversals,
        0.0097,
        "Jones's exponentials again; steps up and down take from each other's deviation",
    )
    yield Source(WAGNER.name, Status.OWN).absolute(
        "reference: step response by the branch cut against the tabulated one",
        "validation.theory_section.wagner_function",
        reference,
        1e-6,
        "two ways to the same function",
    )
    yield from marching_checks()


def against_column(column: str, low: float, high: float) -> Points:
    """The kernel's step response against one column of the table."""
    rows = table("wagner_function").between("s_semichords", low, high)
    s, response = step_response()
    found = np.interp(rows["s_semichords"], s, response)
    return Points(rows[column], found, [f"s = {x:g}" for x in rows["s_semichords"]])


def reference() -> Points:
    """The branch-cut integral against the table, so that neither rests on itself."""
    rows = table("wagner_function")
    return Points(rows["phi_exact"], wagner_function(rows["s_semichords"]))


REVERSAL_SEMICHORDS = 120.0
"""Semichords a stroke: 60 between a reversal and the next."""


@cache
def reversal_run() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Semichords, and response to heave with quick reversals: from the solver, and superposed.

    Both on the change of quasi-steady lift in a reversal.  The heave speed is a square wave with
    its harmonics tapered (Lanczos), as quick as 23 harmonics make it.
    """
    from flapsim import simulate

    k = 2.0 * np.pi / REVERSAL_SEMICHORDS
    orders = np.arange(1, 24, 2)
    taper = np.sinc(orders / 24.0)
    # Downwash 1/2 sign(sin tau): quasi-steady response from -1/2 to 1/2, a unit step.
    square = 2.0 / (np.pi * orders) * taper
    slope = 1e-3
    frequency = section_frequency(k)
    omega = 2.0 * np.pi * frequency
    # Downwash is minus the heave speed: z = sum Z_n cos(n tau) has speed -n omega Z_n sin(n tau).
    cosines = np.zeros(int(orders[-1]))
    cosines[orders - 1] = slope * AIRSPEED * square / (orders * omega)
    case = one_segment_wing(
        frequency=frequency,
        strips=2,
        heave={"shape": "fourier", "cos_m": cosines.tolist()},
        model={**TWO_DIMENSIONAL, "apparent_mass": False, "steps": 1024},
    )
    cycle = simulate(case)
    tau = cycle.phase
    circulation = cycle.strips["circulation_m2_s"][0]
    found = circulation / (np.pi * CHORD * AIRSPEED * slope)
    phasors = -1j * square * theodorsen_function(orders * k)
    superposed = np.real(np.exp(1j * np.outer(tau, orders)) @ phasors)
    return tau / (2.0 * np.pi) * REVERSAL_SEMICHORDS, found, superposed


def reversals() -> Points:
    """Solver against superposition over the stroke."""
    s, found, superposed = reversal_run()
    return Points(superposed, found, [f"s = {x:.3g}" for x in s])


MARCHED = ((0.1, 0.5), (0.5, 0.5), (1.0, 0.3))
"""Reduced frequency and heave over chord: velocity ratios 0.1, 0.5 and 0.6."""


def marching_checks() -> Checks:
    """Closed periodic state against an initial-value integrator of scipy."""
    for k, heave in MARCHED:
        yield SCIPY.absolute(
            f"lag marched to its periodic state, k = {k:g}, heave {heave:g} chord",
            MODEL + ", 512 steps, varying speed",
            lambda k=k, heave=heave: marched(k, heave),
            1e-8,
            "steps of fourth order, 512 a stroke, against 1e-11 of local error; on the largest",
        )


def marched(k: float, heave: float) -> Points:
    """Circulation over a stroke: kernel against marching from rest until nothing changes."""
    from flapsim import simulate

    model = {**TWO_DIMENSIONAL, "apparent_mass": False, "steps": 512}
    cycle = simulate(oscillating_wing(k, heave, model=model))
    omega = 2.0 * np.pi * cycle.case.stroke.frequency_hz
    amplitude = omega * heave * CHORD

    def downwash(tau: FloatArray) -> FloatArray:
        return np.asarray(amplitude * np.sin(tau))

    def rates(tau: float, states: FloatArray) -> FloatArray:
        speed = np.hypot(AIRSPEED, amplitude * np.sin(tau))
        semichords = 2.0 * speed / (CHORD * omega)
        return np.asarray(
            JONES_DEFICIENCY * amplitude * np.cos(tau) - JONES_DECAY * semichords * states
        )

    states = np.zeros(2)
    strokes = int(np.ceil(25.0 * k / (np.pi * JONES_DECAY[0]))) + 1
    for _ in range(strokes):
        path = solve_ivp(
            rates, (0.0, 2.0 * np.pi), states, "DOP853", dense_output=True, rtol=1e-11, atol=1e-13
        )
        states = path.y[:, -1]
    lagged = downwash(cycle.phase) - np.sum(path.sol(cycle.phase), axis=0)
    expected = np.pi * CHORD * lagged
    found = cycle.strips["circulation_m2_s"][0]
    size = float(np.max(np.abs(expected)))
    return Points(expected / size, found / size, [f"tau = {t:.3g}" for t in cycle.phase])
