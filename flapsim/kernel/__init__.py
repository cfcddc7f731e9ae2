"""The compiled strip kernel: one source for one design, a sweep or a trim.

It takes packed arrays (`Batch`) and returns arrays (`Solution`); it holds no strings and no
Python objects. The passes over a block of designs, in order::

    schedules        -> angles, rates, accelerations of the hinges      flow.evaluate_schedules
    segment motion   -> air velocity as a + b r, twist as a + b eta     flow.segment_motion
    strip flow       -> u, w, downwash q and its rate                   flow.strip_flow
    shed wake        -> lagged downwash, periodic state closed          flow.wake_lag
    circulation      -> effective downwash, attached length             circulation.*
    loads            -> forces, moment, losses, summed over the segment loads.strip_loads
    half wing        -> lift, thrust, moments, powers, hinge torques    loads.half_wing_series

Everything is computed for a block of designs at once (`flapsim.kernel.lanes`). Two things are not:
table laws look up design by design, and what separates, on few strips and at few instants, queues
up to be solved side by side whatever design it belongs to.
"""

from flapsim.kernel.batch import Batch, Disturbance, Solution, pick, repeated, stack
from flapsim.kernel.driver import solve

__all__ = ["Batch", "Disturbance", "Solution", "pick", "repeated", "solve", "stack"]
