"""Quantities of a craft and its flight: proportions, hazard, loads along the span, power curves."""

from __future__ import annotations

from flapsim.quantities.definition import Quantity

PROPORTIONS = {
    "span_m": Quantity("m", "span, wing stretched out"),
    "area_m2": Quantity("m2", "moving area, both halves"),
    "aspect_ratio": Quantity("1", "aspect ratio", "", "span_m^2 / area_m2"),
    "mean_chord_m": Quantity("m", "mean chord"),
    "wing_mass_kg": Quantity("kg", "mass of both half wings"),
    "mass_loading_kg_m2": Quantity("kg m-2", "mass of the craft over moving area", "",
        "craft.mass_kg / area_m2"),
    "wing_loading_n_m2": Quantity("N m-2", "weight of the craft over moving area", "",
        "weight_n / area_m2"),
    "reduced_frequency": Quantity("1", "reduced frequency, on the mean semichord"),
    "reynolds_at_airspeed": Quantity("1", "Reynolds number, mean chord and airspeed"),
    "schedule_truncation": Quantity("1", "error of the schedules' Fourier series"),
}  # fmt: skip
"""Proportions of a craft, in the order to read them."""

HAZARDS = {
    "cruise_energy_j": Quantity("J", "kinetic energy at the airspeed of the case", "lower"),
    "flat_fall_speed_m_s": Quantity("m s-1", "fall speed, wings still and flat to the fall",
        "lower"),
    "flat_fall_energy_j": Quantity("J", "kinetic energy at that speed", "lower"),
    "tumbling_fall_speed_m_s": Quantity("m s-1", "fall speed, tumbling", "lower"),
    "tumbling_fall_energy_j": Quantity("J", "kinetic energy at that speed", "lower"),
    "dive_speed_m_s": Quantity("m s-1", "fall speed, nose first, wings edge-on", "lower"),
    "dive_energy_j": Quantity("J", "kinetic energy at that speed", "lower"),
    "cruise_energy_per_area_j_m2": Quantity("J m-2", "cruise energy over the body's drag area",
        "lower"),
    "dive_energy_per_area_j_m2": Quantity("J m-2", "dive energy over the body's drag area",
        "lower"),
    "wing_tip_speed_m_s": Quantity("m s-1", "largest speed of the wing tip against the body",
        "lower"),
    "wing_strike_energy_j": Quantity("J", "largest kinetic energy of one wing against the body",
        "lower"),
    "rotor_energy_j": Quantity("J", "kinetic energy of the motor's rotor behind the wings",
        "lower"),
    "battery_energy_j": Quantity("J", "energy of the full battery"),
}  # fmt: skip
"""Numbers of the hazard note."""

SPAN_LOADS = {
    "flap_bending_n_m": Quantity("N m", "flap bending moment, tip up"),
    "in_plane_bending_n_m": Quantity("N m", "in-plane bending moment, tip aft"),
    "torsion_n_m": Quantity("N m", "torsion, nose up"),
    "flap_shear_n": Quantity("N", "shear force normal to the segment, up"),
    "in_plane_shear_n": Quantity("N", "shear force in the segment's plane, aft"),
    "tension_n": Quantity("N", "tension along the span"),
}
"""Loads of a cut: what the part outboard does to the part inboard."""

SPARS = {
    "diameter_m": Quantity("m", "outer diameter of the tube"),
    "wall_m": Quantity("m", "wall thickness of the tube"),
    "mass_kg": Quantity("kg", "mass of one wing's tube of the segment", "lower"),
    "stress_distance_m": Quantity("m", "distance of the largest stress from the segment's hinge"),
    "stress_phase_rad": Quantity("rad", "stroke phase of the largest stress"),
    "stress_pa": Quantity("Pa", "largest equivalent stress in the tube (von Mises)", "lower"),
    "stress_amplitude_pa": Quantity("Pa", "half the range of the flap bending stress over a stroke",
        "lower"),
    "reserve": Quantity("1", "allowable stress over largest stress", "higher"),
    "deflection_m": Quantity("m", "largest bending deflection of the segment's end", "lower"),
    "twist_rad": Quantity("rad", "largest twist of the segment's end by torsion of the tube",
        "lower"),
    "tip_deflection_m": Quantity("m", "largest deflection of the wing tip", "lower"),
    "tip_deflection_of_semispan": Quantity("1",
        "largest deflection of the wing tip over the semispan", "lower"),
    "hinge_moment_peak_n_m": Quantity("N m", "largest moment of the drive at one shoulder hinge",
        "lower"),
    "crank_torque_peak_n_m": Quantity("N m", "largest torque on the crank", "lower"),
    "tangential_force_n": Quantity("N", "largest force square to the crank", "lower"),
    "rod_force_n": Quantity("N", "least value of the largest force in the rod of one wing",
        "lower"),
    "hinge_force_peak_n": Quantity("N", "largest force on a hinge", "lower"),
    "cycles_per_hour": Quantity("1", "strokes per hour", "", "3600 * stroke.frequency_hz"),
}  # fmt: skip

CURVE = {
    "status": Quantity("1",
        "0 trimmed, 1 no balance, 2 balanced only in an implausible state, "
        "3 no finite answer, 4 the twist is unstable"),
    "used": Quantity("1", "largest part used of any limit", "lower"),
    "limit": Quantity("1", "limit used most, as an index into the attribute limits"),
    "available_w": Quantity("W", "available power", "higher"),
    "climb_deg": Quantity("degree", "steepest climb within the limits", "higher"),
    "climb_rate_m_s": Quantity("m s-1", "rate of the steepest climb within the limits", "higher",
        "flight.airspeed_m_s * sin(climb_deg)"),
    "climb_limit": Quantity("1",
        "limit that prevents a steeper climb, as an index into limits; -1 none"),
    "endurance_s": Quantity("s", "time of flight on one battery", "higher"),
    "range_m": Quantity("m", "distance on one battery in still air", "higher",
        "endurance_s * flight.airspeed_m_s"),
    "glide_ratio": Quantity("1", "distance over height lost, wings held still", "higher"),
    "sink_rate_m_s": Quantity("m s-1", "height lost per time, wings held still", "lower"),
    "angle_deg": Quantity("degree", "angle of the glide below the horizon", "lower"),
    "margin": Quantity("1", "thrust beyond drag at full stroke, over the weight", "higher"),
}  # fmt: skip
"""Power curves, glides and take-off."""

SEARCH = {
    "solver_calls": Quantity("1", "calls of the solver that a trim took"),
    "designs": Quantity("1", "designs that a trim solved"),
    "fluctuation": Quantity("1", "range of the crank's speed over its mean, wing driving it back"),
    "moment_n_m": Quantity("N m", "moment of the balance spring that takes least motor power"),
    "stiffness_n_m_rad": Quantity("N m rad-1",
        "stiffness of the balance spring that takes least motor power"),
}  # fmt: skip
"""Other quantities of a trim and of the drive report."""
