"""From the log of a test rig to efficiencies with their uncertainty, and to a corrected case.

`rig_file` says what the bench is, `log`, `cleaning`, `crank` and `strokes` turn a log into strokes,
`chain` accounts for every watt of a stroke. Only `predicted` and what stands on it
(`compare`, `fitting`, `calibrate`, `simulator`) know the solver.
"""
