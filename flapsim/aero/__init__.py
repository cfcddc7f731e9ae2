"""What the air does to one section: section laws, shed-wake lags, induced velocity.

Each formula stands here once, as a small compiled function on plain numbers, and is used by
the strip kernel for a single run, a sweep and a trim alike.
"""
