"""Pictures of a cycle: figures and animation, drawn without a screen.

Answers: what does this stroke look like? Computes nothing that a cycle does not hold.
"""
