"""From the log of a test rig to efficiencies with their uncertainty, and to a fitted case.

`rig_file` and `channels` describe the rig. `log`, `cleaning`, `crank_angle` and `strokes` turn a
log into strokes, `power_account` turns those into powers with their `uncertainty`, and `reduction`
does it all. Only `predicted` and its users (`compare`, `fitting`, `calibrate`, `synthetic_log`)
know the solver.
"""
