"""Technical terms that keys, messages and figures use without explaining them."""

from __future__ import annotations

from typing import Final

GLOSSARY: Final[dict[str, str]] = {
    "apparent mass": "The air that an accelerating wing moves with it; its inertia adds to the "
    "wing's own loads (model.apparent_mass).",
    "balance": "An equilibrium of forces or moments: lift against weight, thrust against drag, "
    "pitching moment against zero. A trim enforces as many as it frees keys (--hold).",
    "backlash": "Free play between an actuator and what it moves, from end to end.",
    "camber": "Curvature of a section. An upward camber lifts at zero incidence: zero_lift_deg "
    "is then negative.",
    "circulation": "Strength of the vortex bound to a strip; lift per span is density times speed "
    "times circulation.",
    "divergence": "Loss of torsional stability without oscillation: the air twists the wing faster "
    "than its spring holds it.",
    "downstroke": "The half of the stroke from the top of the plunge to its bottom. Most of the "
    "lift and thrust is made in it.",
    "floquet multiplier": "Factor by which a small disturbance of a periodic motion grows over one "
    "period. Stable if all are below 1 in size.",
    "flutter": "Oscillation of a twist with growing amplitude, driven by the air.",
    "held": "The wing held still, without flapping, as the reference of flapping_efficiency and "
    "tare_efficiency.",
    "incidence": "Angle between the chord and the air that meets it, induced velocity included.",
    "indicial": "Following from the response to a step (Wagner): lift builds up as the shed wake "
    "moves away (model.wake).",
    "induced velocity": "Velocity at the wing of the vortices that trail from it.",
    "lag": "Delay behind the stroke phase, in degrees of it: a motion with lag_deg = 90 reaches "
    "its top a quarter of a stroke late. A negative lag leads.",
    "leading-edge suction": "Forward force of the flow around the leading edge; a thick rounded "
    "edge realises most of it, a sharp plate none (wing.section.suction).",
    "lifting line": "Model of a wing as a bound vortex along the span with a trailing wake "
    "(Prandtl 1918).",
    "passive": "A twist that no actuator commands: spring, air and inertia decide it.",
    "phase": "Position within the stroke, 0 to 360 degrees. At phase 0 a harmonic plunge without "
    "lag is at its top.",
    "pitch": "Angle of the body against the horizon, nose up.",
    "plunge": "Flapping: rotation of a segment about its hinge, tip up.",
    "polar": "Lift, drag and moment coefficients of a section over incidence.",
    "quasi-steady": "As if each instant were steady: without the lag of the shed wake.",
    "reduced frequency": "pi times frequency times chord over airspeed: how many semichords of "
    "wake belong to a radian of the stroke. Below 0.1 the flow is nearly steady; above 0.3 the "
    "wake dominates.",
    "reynolds number": "Speed times chord over kinematic viscosity: how little friction matters.",
    "segment": "Rigid part of a half wing: the inner from the shoulder, the outer from the wrist.",
    "servo": "An actuator that follows a commanded twist with limited bandwidth, rate, moment and "
    "stiffness (mode = \"servo\").",
    "stall": "Separation of the flow at high incidence; lift falls and drag rises.",
    "strip": "Spanwise slice of the wing, whose section law sees the local flow.",
    "strouhal number": "Frequency times excursion of the tip over airspeed; 0.2 to 0.4 in cruising "
    "animals.",
    "sweep": "Of the wing: in-plane rotation of the outer segment, aft. As a command: the "
    "computation of every point of a plan.",
    "tare": "What a balance reads without the quantity of interest, to be subtracted.",
    "trim": "The state in which a craft flies steadily, and the search for it.",
    "twist": "Rotation of the section about the twist axis, nose up, linear along a segment.",
    "wagner lag": "Build-up of the lift after a step of incidence, as the shed wake moves away "
    "(Wagner 1925).",
    "wake": "The vortices that the wing leaves behind: trailing from the span, shed in time.",
}  # fmt: skip
"""Meaning of each term, by the term in lower case."""
