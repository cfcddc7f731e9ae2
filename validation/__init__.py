"""Compare the solver with published theory and data.

One module per source (or closely tied family) gives checks; each names its source, how sure
the reference is, the model options used, and a tolerance with its reason.  ``python -m validation``
runs them all and writes a table of deviations and figures; pytest runs each as a test of its own.
"""
