"""A second computation of the strip loads, written for clarity: the referee of the kernel.

It shares with the package what a case is, the division into strips, the Fourier series of the
schedules and the tables of polars; everything else it computes by other means: positions as
products of rotation matrices, their derivatives by the product rule, moments by cross products,
the induced velocity by scanning or by Newton's method.
"""
