"""Where every section of a half wing is, and how it moves: a chain of rotation matrices.

Body design axes throughout: x aft, y to starboard, z up, origin on the plane of symmetry at the
shoulder line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flapsim.wing.strips import Strips
from tests.twin.jet import X_AXIS, Y_AXIS, Z_AXIS, Array, Jet, constant, inner, rotation


@dataclass(frozen=True)
class Angles:
    """Schedules of one half wing, each (n_steps,): rad, heave in m; derivatives by time."""

    plunge_inner: Jet
    plunge_outer: Jet
    sweep_outer: Jet
    twist_inner_root: Jet
    twist_inner_tip: Jet
    twist_outer_root: Jet
    twist_outer_tip: Jet
    heave: Jet


@dataclass(frozen=True)
class Motion:
    """Motion of the sections of a half wing, arrays (n_strips, n_steps, ...), body design axes.

    Attributes
    ----------
    axis : Jet
        Point on the twist axis, m.
    chordwise, normal, spanwise : Jet
        Unit vectors: toward the trailing edge, to the upper side, and the axis of nose-up twist.
    plunge_axis : (3,) array
        Axis of both plunge hinges.
    shoulder, wrist : (n_steps, 3) arrays
        Hinge positions, m.
    sweep_axis : (n_steps, 3) array
        Axis about which positive sweep turns the outer segment aft.
    """

    axis: Jet
    chordwise: Jet
    normal: Jet
    spanwise: Jet
    plunge_axis: Array
    shoulder: Array
    wrist: Array
    sweep_axis: Array

    def spin(self) -> tuple[Array, Array]:
        """Return the nose-up rotation rate of the sections about the span axis, and its rate.

        A nose-up turn carries the chordwise vector downwards, against the normal.
        """
        t, n = self.chordwise, self.normal
        return (
            -inner(t.rate, n.value),
            -(inner(t.acceleration, n.value) + inner(t.rate, n.rate)),
        )


def half_wing_motion(
    strips: Strips, angles: Angles, shoulder_offset: float, plane: float
) -> Motion:
    """Return the motion of the starboard half wing.

    Parameters
    ----------
    strips : Strips
        Stations.
    angles : Angles
        Schedules.
    shoulder_offset : float
        Plane of symmetry to shoulder hinge, m.
    plane : float
        Tilt of the stroke plane, rad, nose-up.
    """
    # Positive rotations: about x tip-up, about y nose-up, about z forward (sweep is aft).
    tilt = rotation(Y_AXIS, constant(np.array(plane)))
    inner_frame = tilt @ rotation(X_AXIS, angles.plunge_inner)
    wrist_frame = inner_frame @ rotation(X_AXIS, angles.plunge_outer)
    outer_frame = wrist_frame @ rotation(Z_AXIS, angles.sweep_outer.times(-1.0))

    steps = angles.heave.value.shape
    heave = Jet(*(part[:, None] * Z_AXIS for part in _parts(angles.heave)))
    shoulder = constant(np.broadcast_to(shoulder_offset * Y_AXIS, (*steps, 3))) + heave
    wrist = shoulder + inner_frame.image(Y_AXIS).times(strips.inner_length)

    sections = []
    for segment, frame, hinge, root, tip in (
        (0, inner_frame, shoulder, angles.twist_inner_root, angles.twist_inner_tip),
        (1, outer_frame, wrist, angles.twist_outer_root, angles.twist_outer_tip),
    ):
        here = strips.segment == segment
        distance = strips.distance[here][:, None, None]
        fraction = strips.fraction[here][:, None]
        twist = _row(root).times(1.0 - fraction) + _row(tip).times(fraction)
        twist_from_hinge_plane = Jet(twist.value - plane, twist.rate, twist.acceleration)
        section = frame @ rotation(Y_AXIS, twist_from_hinge_plane)
        spanwise = _row(frame.image(Y_AXIS)).times(np.ones_like(distance))
        sections.append(
            (
                _row(hinge) + spanwise.times(distance),
                section.image(X_AXIS),
                section.image(Z_AXIS),
                spanwise,
            )
        )
    axis, chordwise, normal, spanwise = (_stack(jets) for jets in zip(*sections, strict=True))
    return Motion(
        axis=axis,
        chordwise=chordwise,
        normal=normal,
        spanwise=spanwise,
        plunge_axis=tilt.value @ X_AXIS,
        shoulder=shoulder.value,
        wrist=wrist.value,
        sweep_axis=-(outer_frame.value @ Z_AXIS),
    )


def _parts(jet: Jet) -> tuple[Array, Array, Array]:
    return jet.value, jet.rate, jet.acceleration


def _row(jet: Jet) -> Jet:
    """Add the strip axis in front."""
    return Jet(*(part[None] for part in _parts(jet)))


def _stack(jets: tuple[Jet, ...]) -> Jet:
    """Join the strips of the segments."""
    return Jet(*(np.concatenate(parts) for parts in zip(*map(_parts, jets), strict=True)))
