"""Trim: balances, branches, refusals, and independence of one design from the others."""

from __future__ import annotations

import json
import math

import h5py
import numpy as np
import pytest

from flapsim.case import Case, read_case
from flapsim.cli.main import main
from flapsim.cycle.results import evaluate
from flapsim.cycle.simulate import simulate
from flapsim.faults import CaseError, NoAnswer
from flapsim.flight import search
from flapsim.flight.balance import free_quantities, residuals
from flapsim.flight.files import write_trim
from flapsim.flight.glide_takeoff import glide, take_off, wings_held
from flapsim.flight.search import TrimStatus
from flapsim.flight.trim import NoTrim, trim, trim_many
from flapsim.wing.body import weight
from validation.sane_craft import PLUNGES, sane_craft
from validation.trim_power import CASES

PITCH = "flight.pitch_deg"
FREE = (PITCH, PLUNGES)
GLASSHOUSE = str(CASES / "glasshouse.toml")

PROMISED = 1e-8
"""Of the weight; what a trim promises for every balance."""

FAST = {"model.steps": 48}


@pytest.fixture(scope="module")
def glasshouse() -> Case:
    return read_case(GLASSHOUSE).replace(FAST)


@pytest.fixture(scope="module")
def two_metre() -> Case:
    return read_case(CASES / "two_metre.toml").replace(FAST)


# --- balances -----------------------------------------------------------------------------------


@pytest.mark.parametrize("climb", [-5.0, 0.0, 8.0])
def test_lift_and_thrust_balance_weight_along_and_across_the_path(
    glasshouse: Case, climb: float
) -> None:
    found = trim(glasshouse.replace({"flight.climb_deg": climb}), FREE)
    mean, load = simulate(found.case).mean, weight(glasshouse)
    path = math.radians(climb)
    assert mean["lift_n"] + mean["tail_lift_n"] == pytest.approx(
        load * math.cos(path), abs=PROMISED * load
    )
    assert mean["thrust_n"] - mean["drag_n"] == pytest.approx(
        load * math.sin(path), abs=PROMISED * load
    )


def test_the_tail_takes_the_pitching_moment(two_metre: Case) -> None:
    found = trim(two_metre, (*FREE, "craft.tail.angle_deg"))
    assert found.hold == ("lift", "thrust", "pitching_moment")
    assert max(abs(value) for value in found.residual.values()) < PROMISED
    assert abs(found.cycle.mean["pitching_moment_n_m"]) < PROMISED * weight(two_metre)


def test_keys_that_are_joined_keep_their_proportion(glasshouse: Case) -> None:
    uneven = glasshouse.replace({"stroke.outer.plunge.amplitude_deg": 10.2})
    found = trim(uneven, FREE).solution
    inner = found["stroke.inner.plunge.amplitude_deg"]
    assert found["stroke.outer.plunge.amplitude_deg"] == pytest.approx(0.5 * inner, rel=1e-12)


def test_a_joined_key_that_is_zero_stays_zero(glasshouse: Case) -> None:
    stiff = glasshouse.replace({"stroke.outer.plunge.amplitude_deg": 0.0})
    quantity = free_quantities(stiff, {}, [PLUNGES], None, 1)[0]
    assert quantity.columns(np.array([30.0]), np.array([0])) == {
        "stroke.inner.plunge.amplitude_deg": 30.0,
        "stroke.outer.plunge.amplitude_deg": 0.0,
    }


def test_one_free_quantity_holds_lift_and_says_what_thrust_is_left(glasshouse: Case) -> None:
    found = trim(glasshouse, [PITCH])
    assert found.hold == ("lift",)
    assert abs(found.residual["lift"]) < PROMISED
    assert any("thrust is not balanced" in note for note in found.cycle.notes)


def test_a_named_balance_is_the_one_held(glasshouse: Case) -> None:
    found = trim(glasshouse, ["stroke.frequency_hz"], ["thrust"])
    assert abs(found.residual["thrust"]) < PROMISED < abs(found.residual["lift"])


def test_own_bounds_are_kept(glasshouse: Case) -> None:
    with pytest.raises(NoTrim, match="thrust cannot be balanced") as refused:
        trim(glasshouse, FREE, bounds={"stroke.inner.plunge.amplitude_deg": (5.0, 15.0)})
    assert refused.value.nearest.stroke.inner.plunge.amplitude_deg <= 15.0


@pytest.mark.parametrize(
    "key",
    [
        "wing.outer.length_m",
        "wing.outer.chord_m.2.1",
        "stroke.plane_deg",
        "stroke.outer.plunge.lag_deg",
        "craft.body_drag_area_m2",
        "flight.climb_deg",
        "wing.section.zero_lift_deg",
    ],
)
def test_any_number_may_be_free(glasshouse: Case, key: str) -> None:
    eager = glasshouse.replace({"stroke.frequency_hz": 2.9})
    found = trim(eager, [PITCH, key] if "zero_lift" not in key else [PLUNGES, key])
    assert max(abs(found.residual[name]) for name in found.hold) < PROMISED


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"flight.climb_deg": -5.0, "stroke.outer.twist.tip_amplitude_deg": 15.0},
            "small for the speed",
        ),
        ({"flight.climb_deg": 15.0}, "large for the speed"),
        ({}, None),
    ],
)
def test_a_strouhal_number_outside_that_of_cruising_animals_is_noted(
    glasshouse: Case, changes: dict[str, float], words: str | None
) -> None:
    notes = " ".join(trim(glasshouse.replace(changes), FREE).cycle.notes)
    assert ("Strouhal" in notes) == (words is not None)
    assert words is None or words in notes


# --- branches -----------------------------------------------------------------------------------


def test_a_start_on_the_violent_branch_leads_back_to_the_gentle_one(glasshouse: Case) -> None:
    gentle = trim(glasshouse, FREE)
    limits = dict.fromkeys(PLUNGES.split("+"), (0.5, 120.0))
    violent = trim(glasshouse, FREE, start={PLUNGES: 95.0, PITCH: 30.0}, bounds=limits)
    for key, value in gentle.solution.items():
        assert violent.solution[key] == pytest.approx(value, rel=1e-6)


def test_a_solution_that_is_mostly_stalled_is_refused_as_implausible(glasshouse: Case) -> None:
    limits = dict.fromkeys(PLUNGES.split("+"), (60.0, 130.0)) | {PITCH: (-60.0, 60.0)}
    found = trim_many(glasshouse, None, FREE, bounds=limits)
    assert found.status[0] == TrimStatus.IMPLAUSIBLE
    assert max(abs(values[0]) for values in found.residual.values()) < PROMISED
    assert found.results["check.stalled_fraction"][0] > 0.5
    assert "trims only in an implausible state" in found.reason(0)


def test_a_warm_start_costs_half(glasshouse: Case) -> None:
    cold = trim_many(glasshouse, None, FREE)
    near = {key: 1.02 * value for key, value in cold.solution.items()}
    warm = trim_many(glasshouse, None, FREE, start=near)
    assert warm.trimmed.all()
    assert warm.evaluations[0] <= 0.6 * cold.evaluations[0]


@pytest.mark.parametrize("seed", range(12))
def test_a_random_craft_is_trimmed_or_refused_rightly(seed: int) -> None:
    """Held against a scan of the second free quantity with the lift held at every point."""
    case, free = sane_craft(seed, steps=32)
    found = trim_many(case, None, free)
    other = free_quantities(case, {}, free, None, 1)[1]
    scan = np.geomspace(max(other.least[0], 0.02 * other.most[0]), other.most[0], 40)
    columns = other.columns(scan, np.zeros(scan.size, dtype=np.int64))
    lifted = trim_many(case, columns, [PITCH], thorough=False)
    thrust = residuals(case, columns | lifted.solution, lifted.results, ["thrust"])[0]
    sane = lifted.trimmed & (lifted.results["check.stalled_fraction"] < 0.35)
    crossed = sane[1:] & sane[:-1] & (thrust[1:] * thrust[:-1] < 0.0)
    if not found.trimmed[0]:
        assert not crossed.any()
        assert found.reason(0)
        return
    assert max(abs(v[0]) for v in found.residual.values()) < PROMISED
    power = lifted.results["mean.aero_power_w"]
    cheapest = np.minimum(power[1:], power[:-1])[crossed].min(initial=np.inf)
    dearest = np.maximum(power[1:], power[:-1])[crossed].min(initial=np.inf)
    assert crossed.any()
    assert 0.99 * cheapest <= found.results["mean.aero_power_w"][0] <= 1.01 * dearest


def test_the_two_metre_craft_is_written_down_as_it_trims(two_metre: Case) -> None:
    # The file gives three digits, and 128 steps where the test takes 48.
    found = trim(two_metre, (*FREE, "craft.tail.angle_deg"))
    for key, value in found.solution.items():
        assert two_metre.get(key) == pytest.approx(value, rel=0.01)


def test_a_state_that_the_drive_cannot_give_is_told_in_words(glasshouse: Case) -> None:
    sound = trim(glasshouse, FREE)
    assert "cannot deliver" not in sound.verdict
    assert sound.to_dict()["trim"]["drive_refusal"] is None
    weak = trim(glasshouse.replace({"drive.gear_ratio": 70.0}), FREE)
    used = weak.watts["voltage_used"]
    needed = used * weak.watts["battery_voltage_v"]
    assert used > 1.0
    told = weak.to_dict()["trim"]["drive_refusal"]
    assert f"the motor needs up to {needed:.3g} V and the battery has" in told
    assert weak.verdict.endswith(told)
    assert told in weak.cycle.notes
    # What the air and the balances make of it is the same.
    assert weak.solution == sound.solution


# --- a twist that gives way ---------------------------------------------------------------------


PASSIVE = {
    "mode": "passive",
    "rest_deg": 2.0,
    "stiffness_n_m_rad": 0.12,
    "damping_n_m_s_rad": 0.0015,
    "stops_deg": [-40.0, 40.0],
}
SERVO = {
    "mode": "servo",
    "tip_mean_deg": -3.6,
    "tip_amplitude_deg": 34.0,
    "tip_lag_deg": -57.0,
    "bandwidth_hz": 15.0,
    "rate_limit_deg_s": 1000.0,
    "torque_limit_n_m": 0.3,
}
OUTER_TWIST = "stroke.outer.twist"


@pytest.fixture(scope="module")
def divergent(glasshouse: Case) -> Case:
    """A heavy skin far behind the twist axis on a spring that is much too soft."""
    loose = {"mode": "passive", "rest_deg": 2.0, "stiffness_n_m_rad": 5e-4}
    return glasshouse.replace(
        {OUTER_TWIST: loose, "wing.twist_axis": 0.6, "wing.outer.skin_kg_m2": 3.0}
    )


@pytest.mark.parametrize("twist", [PASSIVE, SERVO], ids=["passive", "servo"])
def test_a_craft_whose_twist_gives_way_trims_as_closely_for_as_few_designs(
    glasshouse: Case, twist: dict[str, object]
) -> None:
    free = glasshouse.replace({OUTER_TWIST: twist, "wing.outer.skin_kg_m2": 0.1})
    found = trim(free, FREE)
    mean, load = found.cycle.mean, weight(glasshouse)
    assert mean["lift_n"] == pytest.approx(load, abs=PROMISED * load)
    assert mean["thrust_n"] == pytest.approx(mean["drag_n"], abs=PROMISED * load)
    # The goal for a driven twist.
    assert found.designs < 60
    assert found.cycle.twist["outer"]["floquet_max"] < 1.0
    driven = trim(glasshouse, FREE)
    assert found.cycle.mean["aero_power_w"] > driven.cycle.mean["aero_power_w"]


def test_a_trimmed_state_with_an_unstable_twist_is_refused(divergent: Case) -> None:
    with pytest.raises(NoAnswer) as refused:
        trim(divergent, [PITCH])
    told = str(refused.value)
    for words in ("Level flight at 5 m/s: it trims with flight.pitch_deg", "is unstable",
                  "divergence", "grows"):  # fmt: skip
        assert words in told


def test_many_designs_report_which_twists_are_unstable_on_request(
    glasshouse: Case, divergent: Case
) -> None:
    found = trim_many(divergent, None, [PITCH], thorough=False, stability=True)
    assert found.status[0] == TrimStatus.UNSTABLE
    assert "its twist is unstable" in found.reason(0)
    assert found.results["twist.outer.floquet_max"][0] > 1.0
    unasked = trim_many(divergent, None, [PITCH], thorough=False)
    assert unasked.status[0] == TrimStatus.TRIMMED
    driven = trim_many(glasshouse, None, [PITCH], thorough=False, stability=True)
    assert driven.status[0] == TrimStatus.TRIMMED


def test_without_a_periodic_twist_anywhere_the_refusal_says_so(
    divergent: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stood in for: a batch marks designs without a periodic twist by NaN."""
    real = search.evaluate

    def nowhere(case: Case, columns: dict[str, np.ndarray], **options: object) -> dict:
        found = real(case, columns, **options)
        return {
            name: values if name.startswith("check.") else np.full(values.shape, np.nan)
            for name, values in found.items()
        }

    def refuses(_: Case) -> None:
        raise NoAnswer("no periodic twist of the outer segment was found")

    monkeypatch.setattr(search, "evaluate", nowhere)
    monkeypatch.setattr("flapsim.flight.trim.simulate", refuses)
    with pytest.raises(NoTrim) as refused:
        trim(divergent, [PITCH])
    assert refused.value.status == TrimStatus.NOT_FINITE
    assert "no start leads to a finite solution" in str(refused.value)
    assert "There, no periodic twist of the outer segment was found" in str(refused.value)


# --- many at once -------------------------------------------------------------------------------


def test_the_answer_of_a_design_does_not_depend_on_its_neighbours(glasshouse: Case) -> None:
    speeds = np.array([3.0, 4.4, 5.0, 6.3, 8.0, 12.0, 3.4])
    together = trim_many(glasshouse, {"flight.airspeed_m_s": speeds}, FREE)
    assert not together.trimmed.all()
    assert together.trimmed.any()
    for design in range(speeds.size):
        alone = trim_many(glasshouse, {"flight.airspeed_m_s": speeds[design : design + 1]}, FREE)
        assert alone.status[0] == together.status[design]
        for name, values in alone.solution.items():
            assert values[0] == together.solution[name][design]
        for name, values in alone.residual.items():
            assert values[0] == together.residual[name][design]


def test_a_trim_ends_with_all_that_a_run_reports(glasshouse: Case) -> None:
    many = trim_many(glasshouse, {"craft.mass_kg": np.array([0.2, 0.26])}, FREE)
    columns = dict(many.solution)
    again = evaluate(glasshouse, columns | {"craft.mass_kg": np.array([0.2, 0.26])})
    assert np.isfinite(many.results["mean.flapping_efficiency"]).all()
    for name, values in again.items():
        assert np.array_equal(values, many.results[name], equal_nan=True), name


def test_without_a_wing_held_still_nothing_else_changes(glasshouse: Case) -> None:
    whole, part = evaluate(glasshouse), evaluate(glasshouse, still=False)
    compared = {f"mean.{name}" for name in ("held_drag_n", "held_thrust_n", "held_pitch_deg",
                                            "flapping_efficiency", "tare_efficiency")}  # fmt: skip
    for name, values in whole.items():
        if name in compared:
            assert np.isfinite(values).all()
            assert np.isnan(part[name]).all()
        else:
            assert np.array_equal(values, part[name], equal_nan=True), name


def test_columns_and_single_cases_agree(glasshouse: Case) -> None:
    masses = np.array([0.2, 0.26])
    many = trim_many(glasshouse, {"craft.mass_kg": masses}, FREE)
    for design, mass in enumerate(masses):
        one = trim(glasshouse.replace({"craft.mass_kg": mass}), FREE)
        for key, value in one.solution.items():
            assert many.solution[key][design] == pytest.approx(value, rel=1e-7)


# --- refusals -----------------------------------------------------------------------------------


def test_a_refusal_names_balance_amount_state_and_a_remedy_that_works(glasshouse: Case) -> None:
    slow = glasshouse.replace({"flight.airspeed_m_s": 3.0})
    with pytest.raises(NoTrim) as refused:
        trim(slow, FREE)
    error = refused.value
    assert error.status == TrimStatus.NO_BALANCE
    assert "lift cannot be balanced" in str(error)
    assert f"{100 * error.residual['lift']:+.3g} % of weight" in str(error)
    assert "Nearest state: flight.pitch_deg" in str(error)
    best = error.remedies[0]
    assert str(best) in str(error)
    assert best.trims
    trim(error.nearest.replace({best.key: best.value}), FREE)


@pytest.mark.parametrize(
    ("free", "hold", "bounds", "words"),
    [
        (["flight.pich_deg"], None, None, "did you mean flight.pitch_deg"),
        ([PITCH, PITCH], None, None, "more than once"),
        ([PITCH], ["lift", "thrust"], None, "as many free quantities as balances"),
        ([PITCH], ["drag"], None, "one of lift, thrust, pitching_moment"),
        (["wing.section.law"], None, None, "a key that holds a number"),
        (["model.steps"], None, None, "a key that holds a number"),
        (["air.altitude_m"], None, None, "use air.density_kg_m3"),
        ([], None, None, "as many free quantities"),
        ([PITCH], None, {"flight.airspeed_m_s": (1.0, 2.0)}, "is not free"),
        ([PITCH], None, {PITCH: (5.0, -5.0)}, "LOW < HIGH"),
    ],
)
def test_faults_of_the_question_are_reported(
    glasshouse: Case,
    free: list[str],
    hold: list[str] | None,
    bounds: dict[str, tuple[float, float]] | None,
    words: str,
) -> None:
    with pytest.raises(CaseError, match=words):
        trim(glasshouse, free, hold, bounds=bounds)


def test_a_wing_on_a_rig_has_nothing_to_trim() -> None:
    with pytest.raises(CaseError, match="only a craft with weight"):
        trim(read_case(CASES / "plunging_wing.toml"), [PITCH])


# --- what it depends on -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "key",
    [
        "craft.mass_kg",
        "flight.airspeed_m_s",
        "stroke.outer.twist.tip_amplitude_deg",
        "wing.outer.length_m",
    ],
)
def test_sensitivities_are_what_trimming_again_gives(glasshouse: Case, key: str) -> None:
    found = trim(glasshouse, FREE)
    entry = next(s for s in found.sensitivities if s.key == key)
    here = float(glasshouse.get(key))
    watts = [
        trim(glasshouse.replace({key: here + side * entry.change}), FREE).cycle.mean["aero_power_w"]
        for side in (1.0, -1.0)
    ]
    # The central difference over one natural change: curvature leaves less than a per cent.
    assert entry.power_w == pytest.approx(0.5 * (watts[0] - watts[1]), rel=0.01)


def test_sensitivities_stand_in_order_of_size(glasshouse: Case) -> None:
    sizes = [abs(entry.power_w) for entry in trim(glasshouse, FREE).sensitivities]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) > 10


# --- other states -------------------------------------------------------------------------------


def test_a_glide_descends_by_drag_over_lift(glasshouse: Case) -> None:
    found = glide(glasshouse)
    mean = found.trim.cycle.mean
    drag = mean["drag_n"] - mean["thrust_n"]
    assert math.tan(math.radians(found.angle_deg)) == pytest.approx(drag / mean["lift_n"], rel=1e-7)
    assert found.glide_ratio == pytest.approx(mean["lift_n"] / drag, rel=1e-7)
    assert mean["aero_power_w"] == pytest.approx(0.0, abs=1e-12)


def test_held_wings_stand_at_the_means_of_their_motions(glasshouse: Case) -> None:
    held = wings_held(glasshouse).stroke
    assert held.outer is not None
    assert held.outer.twist is not None
    assert held.inner.plunge.mean_deg == pytest.approx(4.0, rel=1e-12)
    assert held.outer.twist.tip.mean_deg == pytest.approx(-3.6, rel=1e-12)
    assert (held.inner.plunge.amplitude_deg, held.outer.twist.tip.amplitude_deg) == (0.0, 0.0)


def test_more_strokes_a_second_leave_more_thrust_for_take_off(glasshouse: Case) -> None:
    weak = take_off(glasshouse, {"stroke.frequency_hz": 2.6})
    strong = take_off(glasshouse, {"stroke.frequency_hz": 3.6})
    assert weak.margin < 0.0 < strong.margin
    assert weak.climb_deg < 0.0 < strong.climb_deg
    # Small angles: the margin over the weight is the sine of the climb, lift hardly changes.
    assert math.sin(math.radians(strong.climb_deg)) == pytest.approx(strong.margin, rel=0.02)


# --- files and the command line -----------------------------------------------------------------


def test_a_written_trim_reads_back_as_a_cycle_with_its_hazards(
    glasshouse: Case, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from flapsim.cycle.files import read_cycle

    path = tmp_path_factory.mktemp("trim") / "trim.h5"
    found = trim(glasshouse, FREE)
    write_trim(found, path)
    assert read_cycle(path).mean["aero_power_w"] == found.cycle.mean["aero_power_w"]
    with h5py.File(path) as file:
        assert file.attrs["verdict"] == found.verdict
        assert file.attrs["hazard.cruise_energy_j"] == pytest.approx(0.5 * 0.24 * 25.0)
        assert "hazard" in file.attrs


def test_the_command_line_trims_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["trim", GLASSHOUSE, "--free", ",".join(FREE), "--json", "--set", "model.steps=48"])
    document = json.loads(capsys.readouterr().out)
    assert code == 0
    assert document["trim"]["hold"] == ["lift", "thrust"]
    assert document["trim"]["watts"]["electrical_power_w"] > document["mean"]["aero_power_w"]
    assert document["hazard"]["note"]


def test_the_command_line_refuses_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["trim", GLASSHOUSE, "--set", "flight.airspeed_m_s=3", "--set", "model.steps=48"])
    said = capsys.readouterr()
    assert code == 3
    assert said.out == ""
    assert "lift cannot be balanced" in said.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["--free", "flight.pich_deg"],
        ["--bound", "flight.pitch_deg"],
        ["--bound", "flight.pitch_deg=1:nan"],
        ["--glide", "--free", PITCH],
        ["--climb", "120"],
        ["--full", "stroke.frequency_hz=fast"],
        ["--series"],
    ],
)
def test_the_command_line_tells_faults(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trim", GLASSHOUSE, *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--glide"], "glide ratio"),
        (["--full", "stroke.frequency_hz=3.6"], "steepest climb"),
        (["--climb", "4"], "Climb of 4 deg"),
    ],
)
def test_the_command_line_knows_the_modes(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trim", GLASSHOUSE, "--set", "model.steps=48", *arguments]) == 0
    assert words in " ".join(capsys.readouterr().out.split())
