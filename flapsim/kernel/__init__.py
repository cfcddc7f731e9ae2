"""The compiled strip kernel: one source for one design, a sweep or a trim.

It takes packed arrays (`Batch`) and returns arrays (`Solution`); it holds no strings and no Python
objects, and imports nothing from outside its folder, whose digest names the cache of compiled
code.

Data layout
-----------
Designs are solved in blocks of ``LANES`` (`flapsim.kernel.lanes`). In a block every quantity is a
row, one number for each design, and every array is flat with the design as the fastest index::

    constant[row]  parameter[strip, row]                numbers of a design, of a strip
    hinge[step, row]  motion[segment, step, row]        hinge angles, motion of a segment
    flow[slot, step, row]                               one strip through the stroke
    sums[segment, step, row]  series[step, row]         loads of a segment, of the half wing

The names of all rows are in `flapsim.kernel.layout` (imported as ``at``), the memory of a block in
`flapsim.kernel.block`.

Passes over a block
-------------------
::

    driver       load designs           batch -> constant, parameter, schedule
    flow         evaluate_schedules     schedule -> hinge    angles, rates, accelerations
    flow         segment_motion         hinge -> motion      air velocity a + b r, twist a + b eta
                 for each strip:
    flow            strip_flow          motion -> flow    u, w, downwash q and its rate
    flow            wake_lag            flow -> flow      lagged downwash, periodic
    circulation     circulation_local   flow -> flow      effective downwash, attached length
    loads           strip_loads         flow -> sums      forces, moment, losses
    loads           strip_inertia       flow -> sums      kinetic energy, moment of the mass
    loads        half_wing_series       sums -> series       forces, moments, power, torques
    driver       summarise, hand over   series -> Solution   mean, least, greatest

With a lifting line (`lifting_line.circulation_coupled`) all strips take the first two passes, then
the circulation is solved for all together, then all take the last. With lagged stall the
circulation is solved twice: for the steady attached length, and again for the lagged one
(`flow.separation_lag`). Every instruction treats all designs of a block the same, with two
exceptions: tables are looked up design by design, and the strips and instants that separate are
queued and solved side by side, whatever design they belong to.
"""

from flapsim.kernel.batch import Batch, Disturbance, Solution, pick, repeated, stack
from flapsim.kernel.driver import solve

__all__ = ["Batch", "Disturbance", "Solution", "pick", "repeated", "solve", "stack"]
