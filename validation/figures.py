"""Figures of the comparisons: reference as lines, solver as marks.

They differ by dash and mark, not by colour, so that they read in print.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation import (
    finite_wing,
    finite_wing_lag,
    flapping_line,
    flat_plate,
    large_amplitude,
    minimum_loss,
    naca0012,
    passive_twist,
    trends,
    wagner,
)
from validation import oscillating_section as oscillating
from validation.reference import table
from validation.report import Families, apart
from validation.theory_section import jones_function, theodorsen_function, wagner_function
from validation.theory_wing import (
    helmbold_slope,
)

LINE: dict[str, Any] = {"color": "0.15", "linewidth": 1.2}
DASHED: dict[str, Any] = {"color": "0.45", "linewidth": 1.2, "linestyle": "--"}
DOTTED: dict[str, Any] = {"color": "0.45", "linewidth": 1.4, "linestyle": ":"}
MARK: dict[str, Any] = {
    "linestyle": "none",
    "color": "black",
    "markersize": 4.5,
    "fillstyle": "none",
}
MARKS = ("o", "s", "^", "D")
DASHES = ("-", "--", "-.", ":")


def panels(count: int, width: float = 4.2, height: float = 3.4) -> tuple[Figure, list[Axes]]:
    """Figure with panels side by side."""
    figure = Figure(figsize=(width * count, height), layout="constrained")
    axes = figure.subplots(1, count, squeeze=False)[0]
    for axis in axes:
        axis.grid(color="0.9", linewidth=0.6)
        axis.spines[["top", "right"]].set_visible(False)
    return figure, list(axes)


def label(axis: Axes, x: str, y: str, title: str = "") -> None:
    """Axis labels and a heading."""
    axis.set_xlabel(x)
    axis.set_ylabel(y)
    axis.set_title(title, fontsize=10)


def frequencies() -> np.ndarray:
    return np.geomspace(0.05, 1.0, 200)


def theodorsen_lift() -> Figure:
    """Lift of a plunging section."""
    figure, (amplitude, phase) = panels(2)
    k = frequencies()
    for function, style, name in (
        (theodorsen_function, LINE, "exact C(k)"),
        (jones_function, DASHED, "Jones form"),
    ):
        lift = np.array([oscillating.in_theory(oscillating.plunging(x), function).lift for x in k])
        amplitude.plot(k, np.abs(lift), label=name, **style)
        phase.plot(k, np.degrees(np.angle(lift)), label=name, **style)
    runs = [oscillating.flown(oscillating.plunging(x)).lift for x in oscillating.FREQUENCIES]
    amplitude.plot(oscillating.FREQUENCIES, np.abs(runs), "o", label="solver", **MARK)
    phase.plot(oscillating.FREQUENCIES, np.degrees(np.angle(runs)), "o", label="solver", **MARK)
    label(
        amplitude,
        "reduced frequency k = ωc/2U",
        "lift coefficient amplitude per z₀/c",
        "Theodorsen, plunge",
    )
    label(phase, "reduced frequency k = ωc/2U", "lift phase after heave (deg)")
    amplitude.legend(frameon=False)
    return figure


def passive_twist_response() -> Figure:
    """Twist of a plunging section against its spring."""
    figure, (amplitude, phase) = panels(2)
    first = passive_twist.rows()[0]
    springs = np.geomspace(5.5, 30.0, 120)
    for function, style, name in (
        (theodorsen_function, LINE, "exact C(k)"),
        (jones_function, DASHED, "Jones form"),
    ):
        twist = np.array([passive_twist.sprung(first, f).theory(function).twist for f in springs])
        amplitude.plot(springs, np.degrees(np.abs(twist)), label=name, **style)
        phase.plot(springs, np.degrees(np.angle(twist)) % 360.0, label=name, **style)
    some = np.array([6.0, 8.0, 10.0, 14.0, 20.0, 28.0])
    runs = [passive_twist.flown(passive_twist.sprung(first, f), "Jones form").twist for f in some]
    amplitude.plot(some, np.degrees(np.abs(runs)), "o", label="solver", **MARK)
    phase.plot(some, np.degrees(np.angle(runs)) % 360.0, "o", label="solver", **MARK)
    x_label = "frequency of spring and mass without air (Hz)"
    label(amplitude, x_label, "twist amplitude (deg)", "Plunge with free twist, 4 Hz")
    label(phase, x_label, "twist phase after heave (deg)")
    amplitude.legend(frameon=False)
    return figure


def garrick_thrust() -> Figure:
    """Thrust and efficiency in plunge, thrust in pitch."""
    figure, (thrust, efficiency, pitch) = panels(3)
    k = frequencies()
    x_label = "reduced frequency k = ωc/2U"
    for function, style, name in (
        (theodorsen_function, LINE, "exact C(k)"),
        (jones_function, DASHED, "Jones form"),
    ):
        loads = [oscillating.in_theory(oscillating.plunging(x), function) for x in k]
        thrust.plot(k, [x.thrust for x in loads], label=name, **style)
        efficiency.plot(k, [x.thrust / x.power for x in loads], label=name, **style)
    runs = [oscillating.flown(oscillating.plunging(x)) for x in oscillating.FREQUENCIES]
    thrust.plot(oscillating.FREQUENCIES, [x.thrust for x in runs], "o", label="solver", **MARK)
    efficiency.plot(
        oscillating.FREQUENCIES, [x.thrust / x.power for x in runs], "o", label="solver", **MARK
    )
    for (name, axis), mark, dash in zip(oscillating.PITCH_AXES.items(), MARKS, DASHES, strict=True):
        motions = [oscillating.pitching(axis, x) for x in k]
        pitch.plot(
            k,
            [oscillating.in_theory(m, theodorsen_function).thrust for m in motions],
            **(LINE | {"linestyle": dash}),
        )
        pitch.plot(
            oscillating.FREQUENCIES,
            [
                oscillating.flown(oscillating.pitching(axis, x)).thrust
                for x in oscillating.FREQUENCIES
            ],
            mark,
            label=f"axis at {name} chord",
            **MARK,
        )
    pitch.axhline(0.0, color="0.6", linewidth=0.8)
    label(thrust, x_label, "thrust coefficient per (z₀/c)²", "Garrick, plunge")
    label(efficiency, x_label, "Froude efficiency", "Garrick, plunge")
    label(pitch, x_label, "thrust coefficient per θ₀² (1/rad²)", "Garrick, pitch (lines: exact)")
    thrust.legend(frameon=False)
    pitch.legend(frameon=False, fontsize=8)
    return figure


def heave_pitch_phase() -> Figure:
    """Thrust and efficiency against the lead of pitch over heave."""
    figure, (thrust, efficiency) = panels(2)
    rows = table("heave_pitch_phase_sweep")
    leads = np.linspace(0.0, 330.0, 111)
    for function, style, name in (
        (theodorsen_function, LINE, "exact C(k)"),
        (jones_function, DASHED, "Jones form"),
    ):
        loads = [
            oscillating.in_theory(
                oscillating.Motion(0.3, 0.5, np.radians(10.0), float(lead)), function
            )
            for lead in leads
        ]
        thrust.plot(leads, [x.thrust for x in loads], label=name, **style)
        efficiency.plot(leads, [x.thrust / x.power for x in loads], label=name, **style)
    runs = [oscillating.flown(motion) for motion in oscillating.sweep_motions()]
    thrust.plot(rows["phi_lead_deg"], [x.thrust for x in runs], "o", label="solver", **MARK)
    efficiency.plot(
        rows["phi_lead_deg"], [x.thrust / x.power for x in runs], "o", label="solver", **MARK
    )
    for axis, y in ((thrust, "thrust coefficient"), (efficiency, "Froude efficiency")):
        label(axis, "lead of pitch over heave (deg)", y, "k = 0.3, heave 0.5 c, pitch 10 deg")
        axis.set_xticks(range(0, 361, 60))
    thrust.legend(frameon=False)
    return figure


def wagner_step() -> Figure:
    """Lift after a step, its deviation, and quick reversals."""
    figure, (step, deviation, reversal) = panels(3)
    s, response = wagner.step_response()
    shown = (s >= wagner.PULSE / 2.0) & (s <= 60.0)
    thin = np.unique(np.geomspace(1, np.sum(shown) - 1, 40).astype(int))
    exact = wagner_function(s[shown])
    step.plot(s[shown], exact, label="Wagner", **LINE)
    step.plot(s[shown][thin], response[shown][thin], "o", label="solver's lag", **MARK)
    deviation.plot(s[shown], response[shown] - exact, label="solver's lag − Wagner", **LINE)
    deviation.axhline(0.0, color="0.6", linewidth=0.8)
    deviation.set_ylim(-0.01, 0.01)
    distance, found, superposed = wagner.reversal_run()
    reversal.plot(distance, superposed, label="Wagner, superposed", **LINE)
    reversal.plot(distance[::24], found[::24], "o", label="solver", **MARK)
    label(step, "semichords travelled", "lift over its final value", "step in incidence")
    label(deviation, "semichords travelled", "deviation of lift over its final value")
    label(reversal, "semichords travelled", "lift over its change", "quick reversals of heave")
    for axis in (step, deviation, reversal):
        axis.legend(frameon=False)
    return figure


def finite_wing_slopes() -> Figure:
    """Lift-curve slope and induced drag against aspect ratio."""
    figure, (slope, drag) = panels(2)
    ratios = finite_wing.ALL_RATIOS
    rows = table("finite_wing_slopes").between("AR", 3.0, 20.0)
    lattice = table("rectangular_wing_vortex_lattice").between("AR", 3.0, 20.0)
    slope.plot(rows["AR"], rows["rect_LL"], label="Glauert's series", **LINE)
    slope.plot(rows["AR"], helmbold_slope(rows["AR"]), label="Helmbold", **DASHED)
    slope.plot(lattice["AR"], lattice["CLalpha_VLM"], label="vortex lattice", **DOTTED)
    slope.plot(
        ratios, finite_wing.slopes(ratios, "lifting-line"), "o", label="lifting-line", **MARK
    )
    slope.plot(ratios, finite_wing.slopes(ratios, "slope"), "s", label="slope", **MARK)
    drag.plot(rows["AR"], 1.0 + rows["delta"], label="Glauert's series", **LINE)
    drag.plot(lattice["AR"], 1.0 / lattice["e_VLM"], label="vortex lattice", **DOTTED)
    drag.plot(
        ratios, finite_wing.drag_factors(ratios, "lifting-line"), "o", label="lifting-line", **MARK
    )
    drag.plot(ratios, finite_wing.drag_factors(ratios, "slope"), "s", label="slope", **MARK)
    label(slope, "aspect ratio", "lift-curve slope (1/rad)", "rectangular wing, steady")
    label(drag, "aspect ratio", "induced drag over CL²/(π AR)", "rectangular wing, steady")
    slope.legend(frameon=False, fontsize=8)
    return figure


def finite_wing_wake() -> Figure:
    """Step response of a finite wing, and its oscillatory lift."""
    figure, (step, lift) = panels(2)
    s = np.linspace(0.0, 15.0, 200)
    rows = table("finite_wing_indicial").between("s_semichords", 0.0, 15.0)
    oscillation = table("finite_wing_oscillatory").between("k", 0.01, 1.0)
    for ratio, mark, dash in zip(finite_wing_lag.RATIOS, MARKS, DASHES, strict=False):
        final = rows[f"phi_AR{ratio:g}"] / (0.74 if ratio == 6.0 else 0.6)
        style = LINE | {"linestyle": dash}
        step.plot(s, finite_wing_lag.indicial(ratio, s), label=f"solver, AR {ratio:g}", **style)
        step.plot(rows["s_semichords"], final, mark, label=f"Jones, AR {ratio:g}", **MARK)
        k = oscillation["k"]
        runs = [abs(finite_wing_lag.oscillatory(ratio, float(x))) for x in k]
        lift.plot(k, runs, label=f"solver, AR {ratio:g}", **style)
        lift.plot(
            k,
            np.abs(finite_wing_lag.published(ratio, k)),
            mark,
            label=f"Jones, AR {ratio:g}",
            **MARK,
        )
    label(step, "semichords travelled", "lift over its final value", "step in incidence")
    label(lift, "reduced frequency k", "lift amplitude over 2π α", "oscillating wing")
    step.legend(frameon=False, fontsize=8)
    return figure


def hinged_flapping() -> Figure:
    """Root-hinged flapping against aspect ratio, and the least-loss bound."""
    figure, (thrust, efficiency, loss) = panels(3)
    rows = table("hinged_wing_lifting_line").where(planform="rect").between("AR", 2.0, 15.0)
    ratios = rows["AR"]
    thrust.plot(ratios, rows["CT_per_vtip2"], label="Glauert's series", **LINE)
    efficiency.plot(ratios, rows["eta"], label="Glauert's series", **LINE)
    curve = np.linspace(2.0, 15.0, 60)
    efficiency.plot(curve, curve / (curve + 2.0), label="AR/(AR + 2)", **DASHED)
    for induced, mark in (("lifting-line", "o"), ("slope", "s")):
        runs = [flapping_line.hinged(ratio, "rect", induced) for ratio in ratios]
        scaled = [run.thrust_mean / flapping_line.SMALL_VELOCITY**2 for run in runs]
        thrust.plot(ratios, scaled, mark, label=induced, **MARK)
        efficiency.plot(ratios, [run.efficiency for run in runs], mark, label=induced, **MARK)
    share = np.linspace(1e-4, 1.0, 400)
    loss.plot(share, 0.5 + np.sqrt(0.25 - share / 4.0), label="least loss", **LINE)
    for motion, mark in (("root hinge", "o"), ("plunge", "^")):
        strokes = minimum_loss.lattice(motion)
        reachable = [
            float(
                minimum_loss.greatest_thrust(
                    stroke.aspect_ratio,
                    minimum_loss.SMALL_VELOCITY,
                    minimum_loss.motion_sum(motion),
                )
            )
            for stroke in strokes
        ]
        runs = [minimum_loss.flown(stroke) for stroke in strokes]
        x = [run.thrust_mean / most for run, most in zip(runs, reachable, strict=True)]
        loss.plot(x, [run.efficiency for run in runs], mark, label=motion, **MARK)
    label(thrust, "aspect ratio", "thrust coefficient per (tip speed/U)²", "root-hinged, untwisted")
    label(efficiency, "aspect ratio", "Froude efficiency", "root-hinged, untwisted")
    label(loss, "thrust over the greatest possible", "Froude efficiency", "lattice of twists")
    for axis in (thrust, efficiency, loss):
        axis.legend(frameon=False, fontsize=8)
    return figure


POLAR_NAMES = {
    "2pi_sin": "2π sin α",
    "hoerner_plate": "Hoerner's plate",
    "dickinson": "revolving fly wing",
    "naca0012_Re360000": "NACA 0012",
}


def large_plunge() -> Figure:
    """Power without pitch and thrust with it, of four polars in large plunge."""
    figure, axes = panels(2)
    for axis, column, mean, pitch in (
        (axes[0], "CP_mean", 0.0, 0.0),
        (axes[1], "CT_mean", 5.0, 10.0),
    ):
        for (polar, name), mark, dash in zip(POLAR_NAMES.items(), MARKS, DASHES, strict=True):
            rows = table("large_amplitude_plunge").where(
                polar=polar, th_mean_deg=mean, th0_deg=pitch
            )
            values = [large_amplitude.VALUES[column](r) for r in large_amplitude.plunge_runs(rows)]
            axis.plot(rows["St"], rows[column], **(LINE | {"linestyle": dash}))
            axis.plot(rows["St"], values, mark, label=name, **MARK)
    axes[1].set_ylim(-0.5, 1.0)
    x_label = "Strouhal number 2 z₀ f/U"
    label(axes[0], x_label, "mean power coefficient", "plunge without pitch (lines: quadrature)")
    label(axes[1], x_label, "mean thrust coefficient", "plunge, pitch 5 deg + 10 deg leading")
    axes[0].legend(frameon=False, fontsize=8)
    return figure


def plate() -> Figure:
    """Normal force and centre of pressure of a flat plate."""
    figure, (force, centre) = panels(2)
    rows = table("flat_plate_formulas").between("alpha_deg", 1.0, 90.0)
    alpha = rows["alpha_deg"]
    below = alpha <= 12.5
    force.plot(alpha[below], rows["CN_attached"][below], label="2π sin α", **DOTTED)
    force.plot(alpha, rows["CN_hoerner"], label="Hoerner", **LINE)
    force.plot(alpha, rows["CN_kirchhoff"], label="Rayleigh", **DASHED)
    fine = np.concatenate([np.arange(1.0, 20.0, 1.0), np.arange(20.0, 91.0, 5.0)])
    runs = [flat_plate.plate(float(a)) for a in fine]
    normal = [run.normal(float(a)) for run, a in zip(runs, fine, strict=True)]
    force.plot(fine, normal, "o", label="solver, thin plate", **MARK)
    centre.plot(alpha, rows["xcp_kirchhoff"], label="Rayleigh", **DASHED)
    position = [0.25 - run.moment / n for run, n in zip(runs, normal, strict=True)]
    centre.plot(fine, position, "o", label="solver, thin plate", **MARK)
    label(force, "incidence (deg)", "normal-force coefficient", "flat plate, steady")
    label(centre, "incidence (deg)", "centre of pressure (chord)", "flat plate, steady")
    force.legend(frameon=False, fontsize=8)
    centre.legend(frameon=False, fontsize=8)
    return figure


def naca() -> Figure:
    """NACA 0012 as polar and the thin plate, through half a turn."""
    figure, axes = panels(2)
    rows = naca0012.measured(naca0012.LOW)
    alpha = rows["alpha_deg"]
    fine = np.concatenate([np.arange(0.0, 20.0, 1.0), np.arange(20.0, 180.1, 2.5)])
    for axis, column, value, y in (
        (axes[0], "CL", naca0012.lift, "lift coefficient"),
        (axes[1], "CD", naca0012.drag, "drag coefficient"),
    ):
        axis.plot(alpha, rows[column], label="measured, Re 3.6e5", **LINE)
        runs = [value(naca0012.as_polar(a, naca0012.LOW)) for a in alpha]
        axis.plot(alpha[::2], runs[::2], "o", label="solver, polar", **MARK)
        plates = [value(naca0012.as_plate(float(a))) for a in fine]
        axis.plot(fine, plates, label="solver, thin plate", **DASHED)
        label(axis, "incidence (deg)", y, "NACA 0012")
        axis.set_xticks(range(0, 181, 30))
    axes[0].legend(frameon=False, fontsize=8)
    return figure


def trend_curves() -> Figure:
    """Loss against amplitude, best Strouhal number against drag, thrust against lag."""
    figure, (loss, best, lag) = panels(3)
    amplitudes = (8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 40.0)
    loss.plot(
        amplitudes,
        [trends.loss_for_lift_and_thrust(a) for a in amplitudes],
        marker="o",
        markersize=4.5,
        label="lift 0.5 and thrust 0.03",
        **LINE,
    )
    loss.plot(
        amplitudes[:4],
        [trends.loss_for_thrust(a) for a in amplitudes[:4]],
        marker="s",
        markersize=4.5,
        label="thrust 0.03 without lift",
        **DASHED,
    )
    for friction, dash in zip(trends.FRICTIONS, DASHES, strict=True):
        strouhal = np.arange(0.10, 0.401, 0.01)
        runs = [trends.foil(float(st), 15.0, friction) for st in strouhal]
        efficiency = [run.efficiency if run.thrust_mean > 0.0 else np.nan for run in runs]
        best.plot(
            strouhal, efficiency, label=f"friction {friction:g}", **(LINE | {"linestyle": dash})
        )
        at = trends.best_strouhal(friction)
        best.plot(at, np.nanmax(efficiency), "o", **MARK)
    lags = np.arange(0.0, 181.0, 15.0)
    lag.plot(lags, [trends.late_tip(float(x)) for x in lags], marker="o", markersize=4.5, **LINE)
    label(loss, "flapping amplitude (deg)", "wake-loss coefficient", "Hall & Hall")
    label(best, "Strouhal number", "Froude efficiency", "Floryan, Van Buren & Smits")
    label(lag, "lag of the outer segment (deg)", "mean thrust coefficient", "Heathcote et al.")
    lag.set_xticks(range(0, 181, 45))
    loss.legend(frameon=False, fontsize=8)
    best.legend(frameon=False, fontsize=8)
    return figure


def plunge_history() -> Figure:
    """Lift, suction and power over a stroke of plunge."""
    figure, axes = panels(3)
    rows = table("plunge_time_history")
    for k, mark, dash in zip((0.1, 0.3, 0.5, 1.0), MARKS, DASHES, strict=True):
        at = rows.where(k=k)
        run = oscillating.full_amplitude(k)
        phase = np.arange(len(run.lift)) / len(run.lift)
        for axis, series, column in (
            (axes[0], run.lift, "CL_total"),
            (axes[1], run.thrust, "CT_inst"),
            (axes[2], run.power, "CP_inst"),
        ):
            axis.plot(phase, series, label=f"k = {k:g}", **(LINE | {"linestyle": dash}))
            axis.plot(at["t_over_T"], at[column], mark, **MARK)
    for axis, y in zip(
        axes, ("lift coefficient", "thrust coefficient", "power coefficient"), strict=True
    ):
        label(axis, "stroke phase t/T", y, "plunge 0.25 c (marks: linear theory)")
    axes[0].legend(frameon=False, fontsize=8)
    return figure


def shares(families: Families) -> Figure:
    """All deviations over their tolerances, the guards against change in a row of their own."""
    families = apart(families)
    figure = Figure(figsize=(8.4, 4.6), layout="constrained")
    axis = figure.subplots()
    for row, (_, verdicts) in enumerate(families):
        found = np.array([verdict.share_of_tolerance for verdict in verdicts])
        found = np.maximum(found[np.isfinite(found)], 1e-6)
        axis.plot(found, np.full(len(found), -row), "o", **MARK)
    axis.axvline(1.0, color="0.15", linewidth=1.2)
    axis.set_xscale("log")
    axis.set_xlim(5e-7, 20.0)
    axis.set_yticks(-np.arange(len(families)), [title for title, _ in families], fontsize=8)
    axis.grid(color="0.9", linewidth=0.6)
    axis.spines[["top", "right"]].set_visible(False)
    label(axis, "deviation over tolerance (below 1e-6 drawn there)", "")
    return figure


DRAWINGS: dict[str, Callable[[], Figure]] = {
    "theodorsen_lift": theodorsen_lift,
    "passive_twist": passive_twist_response,
    "garrick_thrust": garrick_thrust,
    "heave_pitch_phase": heave_pitch_phase,
    "plunge_history": plunge_history,
    "wagner_step": wagner_step,
    "finite_wing_slopes": finite_wing_slopes,
    "finite_wing_wake": finite_wing_wake,
    "hinged_flapping": hinged_flapping,
    "large_plunge": large_plunge,
    "flat_plate": plate,
    "naca0012": naca,
    "trends": trend_curves,
}


def draw_all(folder: Path, families: Families) -> list[str]:
    """Draw every figure into a folder.

    Returns
    -------
    list of str
        File names, the overview first.
    """
    names = ["deviations.png"]
    shares(families).savefig(folder / names[0], dpi=150)
    for name, draw in DRAWINGS.items():
        draw().savefig(folder / f"{name}.png", dpi=150)
        names.append(f"{name}.png")
    return names
