"""Quantities of a run: the stroke step by step, its means and peaks, twist, drive and checks."""

from __future__ import annotations

from flapsim.quantities.definition import Quantity

LOADS = {
    "lift_n": Quantity("N", "lift of the wing"),
    "thrust_n": Quantity("N", "net thrust of the wing"),
    "side_n": Quantity("N", "side force of the wing"),
    "rolling_moment_n_m": Quantity("N m", "rolling moment"),
    "pitching_moment_n_m": Quantity("N m", "pitching moment about the centre of mass"),
    "yawing_moment_n_m": Quantity("N m", "yawing moment"),
    "aero_power_w": Quantity("W", "power given to the air", "lower",
        "thrust_power_w + wake_loss_w + profile_loss_w, in the mean"),
    "wake_loss_w": Quantity("W", "power left in the wake", "lower"),
    "profile_loss_w": Quantity("W", "power lost to friction and separation", "lower"),
    "inertial_power_w": Quantity("W", "rate of the wing's kinetic energy"),
    "twist_power_w": Quantity("W", "power of springs, dampers and actuators into the twist"),
}  # fmt: skip

MOTION = {
    "inner_plunge_deg": Quantity("degree", "plunge of the inner segment"),
    "outer_plunge_deg": Quantity("degree", "plunge of the outer segment relative to the inner"),
    "outer_sweep_deg": Quantity("degree", "in-plane sweep of the outer segment"),
    "inner_twist_root_deg": Quantity("degree", "twist at the root of the inner segment"),
    "inner_twist_tip_deg": Quantity("degree", "twist at the tip of the inner segment"),
    "outer_twist_root_deg": Quantity("degree", "twist at the root of the outer segment"),
    "outer_twist_tip_deg": Quantity("degree", "twist at the tip of the outer segment"),
    "heave_m": Quantity("m", "heave of the whole wing"),
    "force_heave_n": Quantity("N", "force of the air along the heave"),
    "power_heave_w": Quantity("W", "power of the heave drive"),
}

SERIES = LOADS | MOTION

_MOTIONS = {
    "inner_plunge": "inner plunge",
    "outer_plunge": "outer plunge",
    "outer_sweep": "outer sweep",
    "inner_twist_root": "inner twist at the root",
    "inner_twist_tip": "inner twist at the tip",
    "outer_twist_root": "outer twist at the root",
    "outer_twist_tip": "outer twist at the tip",
}

SCALARS = {
    "weight_n": Quantity("N", "weight of the craft", formula="craft.mass_kg * g"),
    "thrust_power_w": Quantity("W", "thrust times airspeed", "higher",
        "thrust_n * flight.airspeed_m_s"),
    "drag_n": Quantity("N", "drag of body and tail", "lower"),
    "tail_lift_n": Quantity("N", "lift of the tail"),
    "held_drag_n": Quantity("N", "drag of the wing held still at the same lift", "lower"),
    "held_thrust_n": Quantity("N", "thrust of the wing held still at the same pitch", "higher"),
    "held_pitch_deg": Quantity("degree", "body pitch of the wing held still at the same lift"),
    "propulsive_efficiency": Quantity("1", "thrust power over power given to the air", "higher",
        "thrust_n * flight.airspeed_m_s / aero_power_w", "Garrick 1936, NACA TR 567"),
    "flapping_efficiency": Quantity("1",
        "thrust plus held-still drag, times airspeed, over power given to the air", "higher",
        "(thrust_n + held_drag_n) * flight.airspeed_m_s / aero_power_w",
        "own definition: credits the wing with the drag it would have without flapping"),
    "tare_efficiency": Quantity("1",
        "thrust above the wing held still at the same pitch, times airspeed, over air power",
        "higher",
        "(thrust_n - held_thrust_n) * flight.airspeed_m_s / aero_power_w",
        "own definition: flapping_efficiency as a bench can measure it"),
    "aero_lift_to_drag": Quantity("1", "weight times airspeed over power given to the air",
        "higher", "craft.mass_kg * g * flight.airspeed_m_s / aero_power_w"),
}  # fmt: skip

DRIVE = {
    "shaft_power_w": Quantity("W", "power that the crank takes", "lower"),
    "electrical_power_w": Quantity("W", "power at the battery's terminals", "lower",
        "motor_power_w + auxiliary_power_w"),
    "battery_power_w": Quantity("W", "power from the cells of the battery", "lower",
        "electrical_power_w + battery_loss_w"),
    "battery_loss_w": Quantity("W", "loss in the battery's resistance", "lower",
        "battery_current_a^2 * drive.battery.resistance_ohm"),
    "auxiliary_power_w": Quantity("W", "power of electronics and actuators", "lower"),
    "motor_power_w": Quantity("W", "power at the motor's terminals", "lower",
        "motor_output_w + copper_loss_w + no_load_loss_w"),
    "copper_loss_w": Quantity("W", "loss in the motor's winding", "lower",
        "motor_current_rms_a^2 * drive.motor.resistance_ohm"),
    "no_load_loss_w": Quantity("W", "loss of the motor without load", "lower"),
    "motor_output_w": Quantity("W", "power at the motor's shaft", "lower"),
    "gear_friction_w": Quantity("W", "friction of the gear", "lower"),
    "unrecovered_power_w": Quantity("W", "work returned by the wing and not recovered", "lower"),
    "gear_loss_w": Quantity("W", "friction of the gear and returned work that is not recovered",
        "lower", "gear_friction_w + unrecovered_power_w"),
    "spring_power_w": Quantity("W", "power into the balance spring"),
    "motor_current_a": Quantity("A", "motor current", "lower",
        "torque / drive.motor.torque_constant_n_m_a + no-load current"),
    "motor_current_rms_a": Quantity("A", "root mean square of the motor current", "lower"),
    "motor_voltage_v": Quantity("V", "voltage at the motor", "lower"),
    "motor_speed_rad_s": Quantity("rad s-1", "motor speed",
        formula="2 pi * stroke.frequency_hz * drive.gear_ratio"),
    "battery_current_a": Quantity("A", "battery current", "lower"),
    "battery_voltage_v": Quantity("V", "battery voltage under load", "higher",
        "drive.battery.voltage_v - battery_current_a * drive.battery.resistance_ohm"),
    "voltage_used": Quantity("1",
        "largest voltage of the motor over that of the battery under load", "lower"),
    "battery_power_used": Quantity("1", "power at the battery over the largest it can give",
        "lower"),
    "peak_current_used": Quantity("1", "largest motor current over its limit", "lower"),
    "continuous_current_used": Quantity("1", "root mean square of the motor current over its limit",
        "lower"),
    "motor_efficiency": Quantity("1", "motor shaft power over power at its terminals", "higher",
        "motor_output_w / motor_power_w"),
    "aerodynamic_efficiency": Quantity("1", "thrust times airspeed over shaft power", "higher",
        "thrust_power_w / shaft_power_w"),
    "drive_efficiency": Quantity("1", "shaft power over power at the battery's terminals", "higher",
        "shaft_power_w / electrical_power_w"),
    "total_efficiency": Quantity("1", "thrust times airspeed over power at the battery", "higher",
        "thrust_power_w / electrical_power_w"),
    "effective_lift_to_drag": Quantity("1", "weight times airspeed over shaft power", "higher",
        "craft.mass_kg * g * flight.airspeed_m_s / shaft_power_w"),
    "cost_of_transport": Quantity("1", "power at the battery over weight times airspeed", "lower",
        "electrical_power_w / (craft.mass_kg * g * flight.airspeed_m_s)",
        "Gabrielli and von Kármán 1950, Mechanical Engineering 72"),
}  # fmt: skip

_TWIST_SERIES = {
    "command_deg": Quantity("degree", "commanded twist from root to tip"),
    "deg": Quantity("degree", "twist from root to tip"),
    "rate_deg_s": Quantity("degree s-1", "rate of the twist from root to tip"),
    "air_n_m": Quantity("N m", "moment of the air on the twist, one wing"),
    "mass_n_m": Quantity("N m", "moment of inertia and weight on the twist, one wing"),
    "held_n_m": Quantity("N m", "moment of spring or actuator on the twist, one wing"),
    "damper_n_m": Quantity("N m", "moment of the damper on the twist, one wing"),
    "stop_n_m": Quantity("N m", "moment of the stops on the twist, one wing"),
}

TWIST = {
    "mean_deg": Quantity("degree", "mean twist at the tip"),
    "amplitude_deg": Quantity("degree", "amplitude of the fundamental of the twist at the tip"),
    "lag_deg": Quantity("degree", "lag of the fundamental of the twist at the tip"),
    "peak_moment_n_m": Quantity("N m", "largest moment of spring, actuator or drive, one wing",
        "lower"),
    "deflection_deg": Quantity("degree", "largest twist away from actuator or spring at rest"),
    "stop_contact": Quantity("1", "part of the stroke against a stop", "lower"),
    "tracking_error_deg": Quantity("degree", "root mean square of twist less command", "lower"),
    "phase_lag_deg": Quantity("degree", "lag of the twist's fundamental behind the command's",
        "lower"),
    "saturation": Quantity("1", "part of the stroke at the actuator's moment or rate limit",
        "lower"),
    "power_w": Quantity("W", "power that goes into the twist at its hinge, both wings"),
    "damper_loss_w": Quantity("W", "loss in the damper of the twist, both wings", "lower"),
    "actuator_power_w": Quantity("W",
        "power that the actuators put out, none recovered, both wings", "lower"),
    "actuator_peak_power_w": Quantity("W", "largest power that the actuators put out, both wings",
        "lower"),
    "floquet_max": Quantity("1", "growth of a disturbance of the twist over one stroke", "lower",
        "largest modulus of the Floquet multipliers; stable below 1"),
    "divergence_speed_m_s": Quantity("m s-1", "airspeed at which the wing held still diverges",
        "higher"),
    "flutter_speed_m_s": Quantity("m s-1", "airspeed at which the wing held still flutters",
        "higher"),
    "air_stiffness_n_m_rad": Quantity("N m rad-1",
        "torsional stiffness of air, weight and rotation"),
    "damping_ratio": Quantity("1", "damping of the twist over critical damping", "higher"),
    "natural_frequency_hz": Quantity("Hz", "undamped frequency of the twist"),
}  # fmt: skip

TWIST_LOSS = {
    "twist_loss_w": Quantity("W",
        "loss in the dampers of the twist, less the power of its actuators", "lower"),
}  # fmt: skip

CHECKS = {
    "energy_balance": Quantity("1", "imbalance of mean power, thrust and losses", "lower",
        "|aero_power_w - thrust_power_w - wake_loss_w - profile_loss_w| / (|aero_power_w| + "
        "|thrust_power_w|)"),
    "instant_energy_balance": Quantity("1",
        "largest imbalance of power, thrust and losses at any instant", "lower",
        "|aero_power_w - thrust_n * flight.airspeed_m_s - wake_loss_w - profile_loss_w| over the "
        "largest powers of the stroke"),
    "motion_power_balance": Quantity("1", "largest imbalance of power and the drives' powers",
        "lower"),
    "schedule_truncation": Quantity("1", "largest error of a schedule's Fourier series", "lower"),
    "incidence_max_deg": Quantity("degree", "largest incidence of any strip", "lower"),
    "stalled_fraction": Quantity("1", "part of wing area and stroke that is stalled", "lower"),
    "induced_unconverged": Quantity("1", "instants without a converged induced velocity", "lower"),
    "reduced_frequency": Quantity("1", "reduced frequency on the mean semichord", "",
        "pi * stroke.frequency_hz * mean_chord_m / flight.airspeed_m_s",
        "Theodorsen 1935, NACA TR 496"),
    "strouhal": Quantity("1", "tip-to-tip excursion times frequency over airspeed", "",
        "stroke.frequency_hz * excursion of the tip / flight.airspeed_m_s"),
    "reynolds": Quantity("1", "smallest chord Reynolds number of any strip", "",
        "speed * chord / kinematic viscosity"),
    "aspect_ratio": Quantity("1", "span squared over moving area", "", "span_m^2 / area_m2"),
    "twist_residual": Quantity("1", "largest residual in the moment balance of the twist",
        "lower"),
    "twist_tail": Quantity("1", "highest harmonics kept of the twist over the largest", "lower"),
    "drive_balance": Quantity("1",
        "imbalance of the powers and losses of the drive, over the power taken", "lower"),
}  # fmt: skip

STRIPS = {
    "segment": Quantity("1", "segment of the strip: 0 inner, 1 outer"),
    "span_position_m": Quantity("m", "distance from the plane of symmetry along the span"),
    "chord_m": Quantity("m", "chord"),
    "width_m": Quantity("m", "width of the strip"),
    "incidence_deg": Quantity("degree", "effective incidence"),
    "attached_fraction": Quantity("1", "attached part of the chord"),
    "circulation_m2_s": Quantity("m2 s-1", "circulation"),
    "induced_velocity_m_s": Quantity("m s-1", "induced velocity"),
    "relative_speed_m_s": Quantity("m s-1", "effective air speed"),
    "normal_force_n_m": Quantity("N m-1", "force normal to the chord"),
    "chordwise_force_n_m": Quantity("N m-1", "force along the chord, aft"),
    "moment_n_m_m": Quantity("N", "nose-up moment about the twist axis, per span"),
    "normal_coefficient": Quantity("1", "normal-force coefficient"),
    "lift_n_m": Quantity("N m-1", "lift per span"),
    "thrust_n_m": Quantity("N m-1", "thrust per span"),
    "power_w_m": Quantity("W m-1", "power given to the air per span"),
}

AXES = {
    "phase": Quantity("rad", "stroke phase"),
    "time": Quantity("s", "time within the stroke"),
    "strip": Quantity("1", "number of the strip, from the shoulder outwards"),
    "multiplier": Quantity("1", "number of the Floquet multiplier, the largest first"),
    "multiplier_real": Quantity("1", "real part of a Floquet multiplier of the twist"),
    "multiplier_imaginary": Quantity("1", "imaginary part of a Floquet multiplier of the twist"),
}

OF_SEGMENTS = ("lift_n", "thrust_n", "aero_power_w", "wake_loss_w", "profile_loss_w")
"""Quantities that are reported of each segment too."""

MOTION_SERIES = (
    {f"torque_{m}_n_m": Quantity("N m", f"torque of the air on {t}") for m, t in _MOTIONS.items()}
    | {f"power_{m}_w": Quantity("W", f"power of the drive of {t}") for m, t in _MOTIONS.items()}
    | {
        f"{segment}_{name}": SERIES[name]._replace(
            long_name=f"{SERIES[name].long_name}, {segment} segments"
        )
        for segment in ("inner", "outer")
        for name in OF_SEGMENTS
    }
    | {
        f"{segment}_twist_{name}": quantity._replace(long_name=f"{quantity.long_name}, {segment}")
        for segment in ("inner", "outer")
        for name, quantity in _TWIST_SERIES.items()
    }
)
