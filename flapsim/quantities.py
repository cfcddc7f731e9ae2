"""Names, units and descriptions of everything a run reports.

One table for the terminal, JSON, HDF5 and figures alike.
"""

from __future__ import annotations

from typing import NamedTuple


class Quantity(NamedTuple):
    """A reported quantity.

    Attributes
    ----------
    unit : str
        UDUNITS string; "1" for a pure number.
    long_name : str
        What it is, for a label.
    """

    unit: str
    long_name: str


_SERIES = {
    "lift_n": Quantity("N", "lift of the wing"),
    "thrust_n": Quantity("N", "net thrust of the wing"),
    "side_n": Quantity("N", "side force of the wing"),
    "rolling_moment_n_m": Quantity("N m", "rolling moment"),
    "pitching_moment_n_m": Quantity("N m", "pitching moment about the centre of mass"),
    "yawing_moment_n_m": Quantity("N m", "yawing moment"),
    "aero_power_w": Quantity("W", "power given to the air"),
    "wake_loss_w": Quantity("W", "power left in the wake"),
    "profile_loss_w": Quantity("W", "power lost to friction and separation"),
    "inertial_power_w": Quantity("W", "rate of the wing's kinetic energy"),
    "inner_plunge_deg": Quantity("degree", "plunge of the inner segment"),
    "outer_plunge_deg": Quantity("degree", "plunge of the outer segment against the inner"),
    "outer_sweep_deg": Quantity("degree", "in-plane sweep of the outer segment"),
    "inner_twist_root_deg": Quantity("degree", "twist at the root of the inner segment"),
    "inner_twist_tip_deg": Quantity("degree", "twist at the tip of the inner segment"),
    "outer_twist_root_deg": Quantity("degree", "twist at the root of the outer segment"),
    "outer_twist_tip_deg": Quantity("degree", "twist at the tip of the outer segment"),
    "twist_power_w": Quantity("W", "power of springs, dampers and actuators into the twist"),
    "heave_m": Quantity("m", "heave of the whole wing"),
    "force_heave_n": Quantity("N", "force of the air along the heave"),
    "power_heave_w": Quantity("W", "power of the heave drive"),
}

_MOTIONS = {
    "inner_plunge": "inner plunge",
    "outer_plunge": "outer plunge",
    "outer_sweep": "outer sweep",
    "inner_twist_root": "inner twist at the root",
    "inner_twist_tip": "inner twist at the tip",
    "outer_twist_root": "outer twist at the root",
    "outer_twist_tip": "outer twist at the tip",
}

_SCALARS = {
    "thrust_power_w": Quantity("W", "thrust times airspeed"),
    "drag_n": Quantity("N", "drag of body and tail"),
    "tail_lift_n": Quantity("N", "lift of the tail"),
    "held_drag_n": Quantity("N", "drag of the wing held still at the same lift"),
    "held_pitch_deg": Quantity("degree", "body pitch of the wing held still at the same lift"),
    "propulsive_efficiency": Quantity("1", "thrust power over power given to the air"),
    "flapping_efficiency": Quantity(
        "1", "thrust plus held-still drag, times airspeed, over power given to the air"
    ),
    "tare_efficiency": Quantity(
        "1", "thrust above the wing held still at the same pitch, times airspeed, over that power"
    ),
    "aero_lift_to_drag": Quantity("1", "weight times airspeed over power given to the air"),
}

_DRIVE = {
    "shaft_power_w": Quantity("W", "power that the crank takes"),
    "electrical_power_w": Quantity("W", "power at the battery's terminals"),
    "battery_power_w": Quantity("W", "power from the cells of the battery"),
    "battery_loss_w": Quantity("W", "loss in the battery's resistance"),
    "auxiliary_power_w": Quantity("W", "power of electronics and actuators"),
    "motor_power_w": Quantity("W", "power at the motor's terminals"),
    "copper_loss_w": Quantity("W", "loss in the motor's winding"),
    "no_load_loss_w": Quantity("W", "loss of the motor without load"),
    "motor_output_w": Quantity("W", "power at the motor's shaft"),
    "gear_friction_w": Quantity("W", "friction of the gear"),
    "unrecovered_power_w": Quantity("W", "work returned by the wing that nothing takes up"),
    "gear_loss_w": Quantity("W", "friction of the gear and returned work that nothing takes up"),
    "spring_power_w": Quantity("W", "power into the balance spring"),
    "motor_current_a": Quantity("A", "motor current"),
    "motor_current_rms_a": Quantity("A", "root mean square of the motor current"),
    "motor_voltage_v": Quantity("V", "voltage at the motor"),
    "motor_speed_rad_s": Quantity("rad s-1", "motor speed"),
    "battery_current_a": Quantity("A", "battery current"),
    "battery_voltage_v": Quantity("V", "battery voltage under load"),
    "voltage_used": Quantity(
        "1", "largest voltage of the motor over that of the battery under load"
    ),
    "battery_power_used": Quantity("1", "power at the battery over the largest it can give"),
    "peak_current_used": Quantity("1", "largest current of the motor over what it may draw"),
    "continuous_current_used": Quantity(
        "1", "root mean square of the motor current over what it may draw"
    ),
    "motor_efficiency": Quantity("1", "motor shaft power over power at its terminals"),
    "aerodynamic_efficiency": Quantity("1", "thrust times airspeed over shaft power"),
    "drive_efficiency": Quantity("1", "shaft power over power at the battery's terminals"),
    "total_efficiency": Quantity("1", "thrust times airspeed over power at the battery"),
    "effective_lift_to_drag": Quantity("1", "weight times airspeed over shaft power"),
    "cost_of_transport": Quantity("1", "power at the battery over weight times airspeed"),
}

_TWIST_SERIES = {
    "command_deg": Quantity("degree", "twist from root to tip that is asked for"),
    "deg": Quantity("degree", "twist from root to tip"),
    "rate_deg_s": Quantity("degree s-1", "rate of the twist from root to tip"),
    "air_n_m": Quantity("N m", "moment of the air on the twist, one wing"),
    "mass_n_m": Quantity("N m", "moment of inertia and weight on the twist, one wing"),
    "held_n_m": Quantity("N m", "moment of spring or actuator on the twist, one wing"),
    "damper_n_m": Quantity("N m", "moment of the damper on the twist, one wing"),
    "stop_n_m": Quantity("N m", "moment of the stops on the twist, one wing"),
}

_TWIST_LOSS = {
    "twist_loss_w": Quantity("W", "loss in the dampers of the twist, less what its actuators give"),
}

_TWIST = {
    "mean_deg": Quantity("degree", "mean twist at the tip"),
    "amplitude_deg": Quantity("degree", "amplitude of the fundamental of the twist at the tip"),
    "lag_deg": Quantity("degree", "lag of the fundamental of the twist at the tip"),
    "peak_moment_n_m": Quantity("N m", "largest moment of spring, actuator or drive, one wing"),
    "deflection_deg": Quantity("degree", "largest twist away from actuator or spring at rest"),
    "stop_contact": Quantity("1", "part of the stroke against a stop"),
    "tracking_error_deg": Quantity("degree", "root mean square of twist less command"),
    "phase_lag_deg": Quantity("degree", "lag of the twist's fundamental behind the command's"),
    "saturation": Quantity("1", "part of the stroke at the actuator's moment or rate limit"),
    "power_w": Quantity("W", "power that goes into the twist at its hinge, both wings"),
    "damper_loss_w": Quantity("W", "loss in the damper of the twist, both wings"),
    "actuator_power_w": Quantity(
        "W", "power that the actuators put out, none taken back, both wings"
    ),
    "actuator_peak_power_w": Quantity("W", "largest power that the actuators put out, both wings"),
    "floquet_max": Quantity("1", "growth of a departure from the twist in a stroke"),
    "divergence_speed_m_s": Quantity("m s-1", "airspeed at which the wing held still diverges"),
    "flutter_speed_m_s": Quantity("m s-1", "airspeed at which the wing held still flutters"),
    "air_stiffness_n_m_rad": Quantity(
        "N m rad-1", "torsional stiffness of air, weight and turning"
    ),
    "damping_ratio": Quantity("1", "damping of the twist over critical damping"),
    "natural_frequency_hz": Quantity("Hz", "undamped frequency of the twist"),
}

_CHECKS = {
    "energy_balance": Quantity("1", "largest imbalance of power, thrust and losses"),
    "motion_power_balance": Quantity("1", "largest imbalance of power and the drives' powers"),
    "schedule_truncation": Quantity("1", "largest error of a schedule's Fourier series"),
    "incidence_max_deg": Quantity("degree", "largest incidence of any strip"),
    "stalled_fraction": Quantity("1", "part of wing area and stroke that is stalled"),
    "induced_unconverged": Quantity("1", "instants without a converged induced velocity"),
    "reduced_frequency": Quantity("1", "reduced frequency on the mean semichord"),
    "strouhal": Quantity("1", "tip-to-tip excursion times frequency over airspeed"),
    "reynolds": Quantity("1", "least chord Reynolds number of any strip"),
    "aspect_ratio": Quantity("1", "span squared over moving area"),
    "twist_residual": Quantity("1", "largest moment left over in the balance of the twist"),
    "twist_tail": Quantity("1", "highest harmonics kept of the twist over the largest"),
}

_STRIPS = {
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

QUANTITIES: dict[str, Quantity] = (
    _SERIES
    | {f"torque_{m}_n_m": Quantity("N m", f"torque of the air on {t}") for m, t in _MOTIONS.items()}
    | {f"power_{m}_w": Quantity("W", f"power of the drive of {t}") for m, t in _MOTIONS.items()}
    | {
        f"{segment}_{name}": Quantity(
            _SERIES[name].unit, f"{_SERIES[name].long_name}, {segment} segments"
        )
        for segment in ("inner", "outer")
        for name in ("lift_n", "thrust_n", "aero_power_w", "wake_loss_w", "profile_loss_w")
    }
    | {
        f"{segment}_twist_{name}": Quantity(quantity.unit, f"{quantity.long_name}, {segment}")
        for segment in ("inner", "outer")
        for name, quantity in _TWIST_SERIES.items()
    }
    | _TWIST
    | _TWIST_LOSS
    | _SCALARS
    | _DRIVE
    | _CHECKS
    | _STRIPS
)
"""Every name that a run reports, with unit and description."""
