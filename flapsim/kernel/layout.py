"""Names and order of all rows of the kernel's arrays.

Designs are solved in blocks of `flapsim.kernel.lanes.LANES`: a row is one number of each design
of the block. All arrays are flat, the lane is the fastest index::

    constant[row, lane]                  numbers of a design (CONST_*)
    parameter[strip, row, lane]          numbers of a strip (PAR_*)
    hinge[step, row, lane]               schedules and hinge angles (HINGE_*)
    motion[segment, step, row, lane]     motion of a segment (SEG_*)
    sums[segment, step, row, lane]       sums over its strips (SUM_*)
    flow[slot, step, row, lane]          one strip through the stroke (FLOW_*)
    queue[group, row, lane]              strips and instants to be solved for (QUEUE_*)
    line[strip, row, lane]               one instant of a lifting line (LINE_*)
    series[step, row, lane]              the half wing through the stroke (SERIES_*)

``slot`` is 0 for every strip unless a lifting line couples them; then each strip keeps its own.
"""

from __future__ import annotations

# Numbers of a design; the kernel computes the last seven itself.
(
    CONST_DENSITY,
    CONST_VISCOSITY,
    CONST_AIRSPEED,
    CONST_AIR_ANGLE,
    CONST_TILT,
    CONST_CLIMB,
    CONST_FREQUENCY,
    CONST_SHOULDER,
    CONST_INNER_LENGTH,
    CONST_OUTER_LENGTH,
    CONST_SEMISPAN,
    CONST_AREA,
    CONST_ASPECT_RATIO,
    CONST_TWIST_AXIS,
    CONST_LAG_AMPLITUDE_1,
    CONST_LAG_RATE_1,
    CONST_LAG_AMPLITUDE_2,
    CONST_LAG_RATE_2,
    CONST_GRAVITY,
    CONST_SIN_AIR,
    CONST_COS_AIR,
    CONST_SIN_TILT,
    CONST_COS_TILT,
    CONST_SIN_UP,
    CONST_COS_UP,
    CONST_INDUCED_GAIN,
) = range(26)
CONST_ROWS = 26

# Numbers of a strip.
(
    PAR_DISTANCE,
    PAR_FRACTION,
    PAR_WIDTH,
    PAR_CHORD,
    PAR_CAMBER,
    PAR_SUCTION,
    PAR_ONSET,
    PAR_INVERSE_RANGE,
    PAR_PLATE_DRAG,
    PAR_FRICTION,
    PAR_SKIN,
    PAR_SPAR,
) = range(12)
PAR_ROWS = 12

# Schedules in the order of `flapsim.wing.motion`: value, rate and acceleration of each, then the
# sines and cosines of the hinge angles.
SCHEDULES = 8
(
    PLUNGE_INNER,
    PLUNGE_OUTER,
    SWEEP_OUTER,
    TWIST_INNER_ROOT,
    TWIST_INNER_TIP,
    TWIST_OUTER_ROOT,
    TWIST_OUTER_TIP,
    HEAVE,
) = range(SCHEDULES)
(
    HINGE_SIN_INNER,
    HINGE_COS_INNER,
    HINGE_SIN_OUTER,
    HINGE_COS_OUTER,
    HINGE_SIN_RELATIVE,
    HINGE_COS_RELATIVE,
    HINGE_SIN_SWEEP,
    HINGE_COS_SWEEP,
) = range(3 * SCHEDULES, 3 * SCHEDULES + 8)
HINGE_ROWS = 3 * SCHEDULES + 8

# Motion of a segment: chordwise (X) and normal (N) air velocity as a + b r with their rates,
# twist as a + b eta with rates and accelerations, the hinges' share of the rotation rate, and the
# segment's own velocity (V) and the upward vertical (UP) for its inertia and weight.
(
    SEG_X0,
    SEG_X1,
    SEG_N0,
    SEG_N1,
    SEG_X0_RATE,
    SEG_X1_RATE,
    SEG_N0_RATE,
    SEG_N1_RATE,
    SEG_TWIST_ROOT,
    SEG_TWIST_SPREAD,
    SEG_TWIST_ROOT_RATE,
    SEG_TWIST_SPREAD_RATE,
    SEG_TWIST_ROOT_ACCELERATION,
    SEG_TWIST_SPREAD_ACCELERATION,
    SEG_SPIN,
    SEG_SPIN_RATE,
    SEG_VX0,
    SEG_VN0,
    SEG_VS0,
    SEG_VX0_RATE,
    SEG_VN0_RATE,
    SEG_VS0_RATE,
    SEG_UP_X,
    SEG_UP_N,
) = range(24)
SEG_ROWS = 24

KICK_ROWS = 12
"""Departures of twist, of either segment, in the order of the rows SEG_TWIST_ROOT ... of a
segment's motion."""

# Sums over the strips of a segment, per step.
(
    SUM_FX,
    SUM_FN,
    SUM_RFX,
    SUM_RFN,
    SUM_M,
    SUM_ETA_M,
    SUM_LOSS,
    SUM_WAKE,
    SUM_PROFILE,
    SUM_STALLED,
    SUM_INERTIAL,
    SUM_MASS_M,
    SUM_ETA_MASS_M,
) = range(13)
SUM_ROWS = 13

# One strip through the stroke. The last rows serve the lag first and the loads afterwards.
(
    FLOW_U,
    FLOW_W,
    FLOW_Q,
    FLOW_Q_RATE,
    FLOW_SEMICHORDS,
    FLOW_SPIN,
    FLOW_SPIN_RATE,
    FLOW_MID_RATE,
    FLOW_SIN,
    FLOW_COS,
    FLOW_Q_LAGGED,
    FLOW_Q_CIRCULATION,
    FLOW_ATTACHED,
    FLOW_SCRATCH_1,
    FLOW_SCRATCH_2,
    FLOW_SCRATCH_3,
    FLOW_SCRATCH_4,
) = range(17)
FLOW_ROWS = 17
FLOW_NORMAL = FLOW_SCRATCH_1
FLOW_AFT = FLOW_SCRATCH_2
FLOW_MOMENT = FLOW_SCRATCH_3
FLOW_CIRCULATION = FLOW_SCRATCH_4

# Strips and instants queued for their circulation, in groups of LANES.
(
    QUEUE_Q,
    QUEUE_LAGGED,
    QUEUE_U,
    QUEUE_SHIFT,
    QUEUE_GAIN,
    QUEUE_DRAG,
    QUEUE_ONSET,
    QUEUE_INVERSE_RANGE,
    QUEUE_ATTACHED,
    QUEUE_DEFICIT,
    QUEUE_SLOPE,
    QUEUE_LAST,
    QUEUE_UNSETTLED,
) = range(13)
QUEUE_ROWS = 13

# One instant of all strips of a lifting line.
(
    LINE_Q_ATTACHED,
    LINE_Q,
    LINE_U,
    LINE_SHIFT,
    LINE_ATTACHED,
    LINE_STALL,
    LINE_LINEAR,
) = range(7)
LINE_ROWS = 7

# The half wing through the stroke: nine rows a segment, then the torques of the air on each degree
# of freedom in the order of the schedules, then the rest; the tip's height is in the
# hinge frame, and the mass torques are those of inertia and weight on the four ends of twist.
(
    SERIES_LIFT,
    SERIES_THRUST,
    SERIES_SIDE,
    SERIES_ROLL,
    SERIES_PITCH,
    SERIES_YAW,
    SERIES_POWER,
    SERIES_WAKE,
    SERIES_PROFILE,
) = range(9)
SEGMENT_SERIES = 9
SERIES_TORQUE = 2 * SEGMENT_SERIES
SERIES_INERTIAL = SERIES_TORQUE + SCHEDULES
SERIES_STALLED = SERIES_INERTIAL + 1
SERIES_TOTAL_LIFT = SERIES_STALLED + 1
SERIES_TOTAL_THRUST = SERIES_TOTAL_LIFT + 1
SERIES_TOTAL_PITCH = SERIES_TOTAL_THRUST + 1
SERIES_TOTAL_POWER = SERIES_TOTAL_PITCH + 1
SERIES_TIP = SERIES_TOTAL_POWER + 1
SERIES_MASS_TORQUE = SERIES_TIP + 1
SERIES_ROWS = SERIES_MASS_TORQUE + 4

# Numbers of every strip that a single run returns.
(
    FIELD_U,
    FIELD_W,
    FIELD_INDUCED,
    FIELD_ATTACHED,
    FIELD_CIRCULATION,
    FIELD_NORMAL,
    FIELD_AFT,
    FIELD_MOMENT,
    FIELD_SIN,
    FIELD_COS,
    FIELD_LOSS,
    FIELD_DOWNWASH,
    FIELD_SEMICHORDS,
) = range(13)
FIELD_ROWS = 13

# Verdicts of a design.
(
    VERDICT_COS_INCIDENCE,
    VERDICT_UNCONVERGED,
    VERDICT_REYNOLDS,
) = range(3)
VERDICT_ROWS = 3

# The same while a block is worked on: the largest incidence as chordwise velocity and speed.
(
    BLOCK_INCIDENCE_U,
    BLOCK_INCIDENCE_SPEED,
    BLOCK_UNSETTLED,
    BLOCK_REYNOLDS,
) = range(4)
BLOCK_VERDICT_ROWS = 4

INDUCED_NONE, INDUCED_SLOPE, INDUCED_LIFTING_LINE = 0, 1, 2

# Columns of a section table, on incidences TABLE_STEP_DEG apart over a full turn.
(
    TABLE_LIFT,
    TABLE_DRAG,
    TABLE_MOMENT,
    TABLE_ATTACHED,
    TABLE_LIFT_GAIN,
    TABLE_ATTACHED_LIFT,
) = range(6)
TABLE_COLUMNS = 6
TABLE_STEP_DEG = 0.25
