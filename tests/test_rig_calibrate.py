"""A case fitted to a log: planted values come back, undetermined ones are named."""

from __future__ import annotations

import dataclasses
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rig_bench import CASES, LOG, bench, glasshouse, log, reduced, sensors, typical_flaws

from flapsim import read_case
from flapsim.case import Case
from flapsim.cli.main import main
from flapsim.faults import CaseError
from flapsim.rig.calibrate import Calibration, Free, calibrate
from flapsim.rig.compare import compare
from flapsim.rig.predicted import Prediction, predict
from flapsim.rig.reduction import Reduction
from flapsim.rig.rig_file import Rig

RIG = CASES / "rig" / "bench.toml"
CASE = CASES / "glasshouse.toml"
FRICTION = "wing.section.friction_factor"
LAG = "stroke.outer.twist.tip_lag_deg"
PLANTED = {FRICTION: 1.9, LAG: -52.0}

# An error of every sensor, within what the rig file states.
ERRORS = {"voltage": (0.0005, 0.001), "current": (-0.0004, 0.0002), "lift": (0.002, 0.003),
          "thrust": (-0.003, 0.001)}  # fmt: skip


@cache
def planted(seed: int = 5) -> Reduction:
    """Return the log of a craft that differs from the case in two keys."""
    prediction = predict(glasshouse().replace(PLANTED), bench())
    flaws = typical_flaws(sensors=sensors(ERRORS))
    return reduced(log(bench(), 40, seed, flaws, prediction), bench())


@cache
def fitted(seed: int = 5) -> Calibration:
    return calibrate(planted(seed), glasshouse(), [Free(FRICTION), Free(LAG)])


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_planted_friction_and_twist_lag_are_found_within_their_intervals(seed: int) -> None:
    found = {one.key: one for one in fitted(seed).fitted}
    for key, value in PLANTED.items():
        assert found[key].known
        assert found[key].low <= value <= found[key].high, found[key]
    # An interval that says nothing would hold everything: a tenth of what was planted.
    assert found[FRICTION].high - found[FRICTION].low < 0.3
    assert found[LAG].high - found[LAG].low < 1.0


def test_a_right_model_deviates_only_by_the_scatter() -> None:
    # About 60 residuals tell their mean square to 20 %, their spreads are estimates themselves.
    assert fitted().misfit == pytest.approx(1.0, abs=0.4)
    assert fitted().warnings == ()


def test_keys_confounded_on_purpose_are_named_together() -> None:
    case = glasshouse().replace(PLANTED | {"wing.section.friction": 0.01})
    keys = ("wing.section.friction", FRICTION)
    found = calibrate(planted(), case, [Free(key) for key in keys])
    assert any("only in combination" in text and all(key in text for key in keys)
               for text in found.warnings)  # fmt: skip
    assert not any(one.known for one in found.fitted)
    assert abs(found.correlation[0, 1]) > 0.99
    # Their product is all that acts: along the weakest direction it stays what it is, wherever on
    # that line the fit has ended. Directions are in halves of the values at the start.
    part = [
        step * 0.5 * one.before / one.value
        for step, one in zip(found.directions[-1], found.fitted, strict=True)
    ]
    assert sum(part) == pytest.approx(0.0, abs=1e-3 * abs(part[0]))


def test_a_prior_makes_confounded_keys_known_as_well_as_it_says() -> None:
    case = glasshouse().replace(PLANTED | {"wing.section.friction": 0.01})
    free = [Free("wing.section.friction", prior=1e-4), Free(FRICTION)]
    found = calibrate(planted(), case, free)
    assert found.fitted[0].uncertainty <= 1.05e-4 * max(found.misfit, 1.0)


def test_an_undetermined_key_is_named() -> None:
    found = calibrate(planted(), glasshouse().replace(PLANTED), [Free("drive.auxiliary_w")])
    assert "do not determine drive.auxiliary_w" in " ".join(found.warnings)


def test_an_undetermined_key_keeps_its_value() -> None:
    """Nothing of this wing stalls: an incidence of stall that wandered would spoil the case."""
    keys = ("wing.section.suction", "wing.section.stall_deg")
    found = calibrate(planted(), glasshouse().replace(PLANTED), [Free(key) for key in keys])
    suction, stall = found.fitted
    assert suction.known
    assert not stall.known
    # A tenth of a change worth knowing; noise pulls a little where a hundredth of the wing stalls.
    assert stall.value == pytest.approx(12.0, abs=1.0)
    assert found.case.get(keys[1]) == stall.value


def test_unfitted_gain_error_is_not_taken_for_physics() -> None:
    """A balance 1 % off, known to 1 %: the suction stays where it is."""
    rig = bench()
    channels = rig.channels
    assert channels.thrust is not None
    loose = dataclasses.replace(channels.thrust, gain_uncertainty=0.01)
    rig = dataclasses.replace(rig, channels=dataclasses.replace(channels, thrust=loose))
    flaws = typical_flaws(sensors=sensors({"thrust": (0.01, 0.0)}))
    found = calibrate(
        reduced(log(rig, 40, 9, flaws, predict(glasshouse(), rig)), rig),
        glasshouse(),
        [Free("wing.section.suction")],
    )
    (suction,) = found.fitted
    assert suction.low <= 0.8 <= suction.high
    assert found.sensors["thrust gain"] == pytest.approx(1.0, abs=0.5)


def test_voltage_and_current_determine_the_motor_constant() -> None:
    key = "drive.motor.torque_constant_n_m_a"
    # Both planted sensor errors push it up by one of its uncertainties; noise comes on top.
    found = calibrate(planted(6), glasshouse().replace(PLANTED | {key: 0.0057}), [Free(key)])
    assert found.fitted[0].low <= 0.006 <= found.fitted[0].high


def test_bounds_are_kept_and_reported() -> None:
    found = calibrate(planted(), glasshouse(), [Free(FRICTION, 1.0, 1.7), Free(LAG)])
    assert found.fitted[0].value <= 1.7
    assert any("bound 1.7" in text for text in found.warnings)


@pytest.mark.parametrize(
    ("free", "words"),
    [
        ([Free("wing.section.frictoin")], "did you mean"),
        ([Free("title")], "expected a number"),
        ([Free("model.steps")], "a key that varies continuously"),
        ([Free(LAG), Free(LAG)], "each key once"),
        ([Free(FRICTION, 5.0, 9.0)], "a start between 5 and 9"),
        ([], "name at least one"),
    ],
)
def test_keys_that_cannot_be_fitted_are_refused(free: list[Free], words: str) -> None:
    with pytest.raises(CaseError, match=words):
        calibrate(planted(), glasshouse(), free)


# --- a compliant wing ---------------------------------------------------------------------

TWIST = "stroke.outer.twist"
STIFFNESS, DAMPING, REST = (
    f"{TWIST}.{name}" for name in ("stiffness_n_m_rad", "damping_n_m_s_rad", "rest_deg")
)
SPRING = {STIFFNESS: 0.35, DAMPING: 0.01, REST: 0.5}


def soft(**changes: float) -> Case:
    """Return the surveyor with few strips, its outer twist left to a spring."""
    values = SPRING | changes
    twist = {"mode": "passive"} | {key.rpartition(".")[2]: x for key, x in values.items()}
    few = {"wing.inner.strips": 4, "wing.outer.strips": 4, "model.modes": 3, "model.steps": 64}
    return glasshouse().replace(few | {TWIST: twist})


@cache
def softly() -> Reduction:
    """Return the log of the craft with the planted spring."""
    rig = bench()
    assert rig.channels.current is not None
    wide = dataclasses.replace(rig.channels.current, range=(-0.5, 6.0))
    rig = dataclasses.replace(rig, channels=dataclasses.replace(rig.channels, current=wide))
    flaws = typical_flaws(sensors=sensors(ERRORS))
    return reduced(log(rig, 40, 5, flaws, predict(soft(), rig)), rig)


def test_a_planted_stiffness_is_found_within_its_interval() -> None:
    (found,) = calibrate(softly(), soft(**{STIFFNESS: 0.5}), [Free(STIFFNESS)]).fitted
    assert found.known
    assert found.low <= SPRING[STIFFNESS] <= found.high, found
    # Not an interval that holds everything: a third of the stiffness.
    assert found.high - found.low < 0.12


def test_spring_damper_and_rest_are_found_together() -> None:
    start = soft(**{STIFFNESS: 0.45, DAMPING: 0.015, REST: 0.0})
    fit = calibrate(softly(), start, [Free(key) for key in SPRING])
    for found in fit.fitted:
        assert found.low <= SPRING[found.key] <= found.high, found
    assert fit.case.get(STIFFNESS) == fit.fitted[0].value


# --- states without a solution ------------------------------------------------------------------


def test_states_without_a_solution_are_avoided_and_reported(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The log asks for more than 1.8, where all states fail: the fit stops short and says why."""
    from flapsim.faults import NoAnswer
    from flapsim.rig import fitting

    def fragile(case: Case, rig: Rig) -> Prediction:
        if case.get(FRICTION) > 1.8:
            raise NoAnswer("flutter: the wing oscillates with growing amplitude.")
        return predict(case, rig)

    monkeypatch.setattr(fitting, "predict", fragile)
    found = calibrate(planted(), glasshouse().replace(PLANTED | {FRICTION: 0.9}), [Free(FRICTION)])
    (friction,) = found.fitted
    assert 1.7 < friction.value <= 1.8
    assert any("had no solution, and the fit avoided them" in text for text in found.warnings)


def test_a_fit_that_is_stuck_says_where(monkeypatch: pytest.MonkeyPatch) -> None:
    from flapsim.faults import NoAnswer
    from flapsim.rig import fitting

    start = glasshouse()

    def nowhere_else(case: Case, rig: Rig) -> Prediction:
        if case.get(FRICTION) != start.get(FRICTION):
            raise NoAnswer("divergence: the air twists the wing away.")
        return predict(case, rig)

    monkeypatch.setattr(fitting, "predict", nowhere_else)
    with pytest.raises(
        NoAnswer, match=rf"{FRICTION} = 1.6, where no change of .* has a solution: divergence"
    ):
        calibrate(planted(), start, [Free(FRICTION)])


def test_a_fit_that_does_not_converge_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flapsim.rig.calibrate.MOST_TRIALS", 2)
    found = calibrate(planted(), glasshouse(), [Free(FRICTION), Free(LAG)])
    assert any("did not converge in 2 states" in text for text in found.warnings)


# --- against a case ----------------------------------------------------------------------------


def test_measured_and_predicted_agree_by_harmonic() -> None:
    found = compare(planted(), glasshouse().replace(PLANTED))
    lift = found.quantities["lift_n"].harmonics
    assert [one.order for one in lift] == list(range(9))
    # The gain of this balance is 0.2 % and its zero 3 mN off; the rest is scatter.
    for one in lift[:4]:
        allowed = 0.002 * abs(one.predicted) + 0.003 + 4.0 * one.uncertainty
        assert one.residual < allowed, one


def test_a_wrong_twist_lag_shows_as_residual_and_as_lag() -> None:
    found = compare(planted(), glasshouse().replace({FRICTION: 1.9}))
    right = compare(planted(), glasshouse().replace(PLANTED))
    for name in ("lift_n", "thrust_n"):
        assert found.quantities[name].residual_rms > 5.0 * right.quantities[name].residual_rms


def test_harmonics_beyond_the_resonance_of_the_force_balance_are_left_out() -> None:
    rig = bench()
    channels = rig.channels
    assert channels.lift is not None
    assert channels.lift.filter is not None
    soft = dataclasses.replace(channels.lift.filter, resonance_hz=12.0)
    rig = dataclasses.replace(
        rig,
        channels=dataclasses.replace(
            channels, lift=dataclasses.replace(channels.lift, filter=soft)
        ),
    )
    found = compare(reduced(log(rig), rig), glasshouse())
    # 0.8 of 12 Hz over 2.8 Hz.
    assert [one.order for one in found.quantities["lift_n"].harmonics] == [0, 1, 2, 3]


# --- command line ------------------------------------------------------------------------------


def test_reduce_prints_every_power_and_writes_its_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import xarray

    result, picture = tmp_path / "run.h5", tmp_path / "run.svg"
    arguments = ["reduce", str(LOG), "--rig", str(RIG), "--against", str(CASE),
                 "-o", str(result), "--figure", str(picture)]  # fmt: skip
    assert main(arguments) == 0
    out = capsys.readouterr().out
    for words in ("electrical power", "power on the crank", "flapping efficiency",
                  "Uncertainty budget", "Measured against glasshouse.toml"):  # fmt: skip
        assert words in out
    assert max(map(len, out.splitlines())) <= 80
    assert picture.read_text().count("predicted") >= 1
    with xarray.open_dataset(result, engine="h5netcdf") as data:
        assert data["series.lift_n"].dims == ("phase",)
        assert data["mean.electrical_power_w"].attrs["units"] == "W"
        assert float(data["mean.lift_n"]) == pytest.approx(2.4, abs=0.05)
        assert data["strokes.period"].sizes["stroke"] == int(data["strokes.accepted"].sum())
    assert main(arguments) == 2
    assert "exists already" in capsys.readouterr().err


def test_a_reduced_log_is_drawn_from_its_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    arguments = ["reduce", str(LOG), "--rig", str(RIG), "--against", str(CASE), "-o", "run.h5"]
    assert main([*arguments, "--figure", "at_once.svg"]) == 0
    assert main(["figure", "run.h5", "-o", "later.svg"]) == 0
    once, later = (Path(name).read_text() for name in ("at_once.svg", "later.svg"))
    # Dates and running numbers of the drawing apart, it is the same picture.
    assert once.count("<path") == later.count("<path")
    assert "predicted from glasshouse.toml" in later
    assert main(["figure", "run.h5"]) == 0
    assert Path("run_measured.png").stat().st_size > 10_000
    capsys.readouterr()
    assert main(["figure", "run.h5", "--kind", "maps"]) == 2
    assert (
        "expected measured, the only figure of a reduced log, found maps" in capsys.readouterr().err
    )
    assert main(["figure", "run.h5", "--set", "title=x", "-o", "x.png"]) == 2
    assert "--set changes a case" in capsys.readouterr().err


def test_a_damaged_reduction_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import h5py

    result = tmp_path / "run.h5"
    assert main(["reduce", str(LOG), "--rig", str(RIG), "-o", str(result)]) == 0
    with h5py.File(result, "a") as file:
        del file["phase"]
    capsys.readouterr()
    assert main(["figure", str(result), "-o", str(tmp_path / "x.png")]) == 2
    assert "expected a complete result of flapsim reduce" in capsys.readouterr().err
    with h5py.File(result, "a") as file:
        file.attrs["schema_version"] = 99
    assert main(["figure", str(result), "-o", str(tmp_path / "x.png")]) == 2
    assert "found 99; reduce the log again" in capsys.readouterr().err


def test_commands_of_the_bench_warn_of_spars_and_cells(
    capsys: pytest.CaptureFixture[str],
) -> None:
    log_and_rig = ["--rig", str(RIG)]
    assert main(["reduce", str(LOG), *log_and_rig]) == 0
    assert main(["calibrate", str(CASE), "--log", str(LOG), *log_and_rig, "--free", LAG]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.count("spars can break and strike") == out.count("Lithium cells burn") == 2


def test_reduce_prints_one_json_document(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["reduce", str(LOG), "--rig", str(RIG), "--against", str(CASE), "--json"]
    assert main([*arguments, "--series"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["mean"]["total_efficiency"] == pytest.approx(
        document["mean"]["drive_efficiency"] * document["mean"]["aerodynamic_efficiency"], rel=1e-9
    )
    assert len(document["series"]["lift_n"]["value"]) == 64
    assert document["against"]["quantities"]["lift_n"]["harmonics"][0]["order"] == 0


def test_calibrate_writes_a_new_case_and_never_overwrites(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "fitted.toml"
    arguments = ["calibrate", str(CASE), "--log", str(LOG), "--rig", str(RIG),
                 "--free", f"{FRICTION},{LAG}", "--set", f"{FRICTION}=1.2",
                 "-o", str(new)]  # fmt: skip
    assert main(arguments) == 0
    assert FRICTION in capsys.readouterr().out
    case = read_case(new)
    # The log of the cases was made with 1.6, and 1.9 % of friction is what its sensors tell.
    assert case.get(FRICTION) == pytest.approx(1.6, abs=0.1)
    assert case.get(LAG) == pytest.approx(-57.0, abs=0.2)
    text = new.read_text()
    assert f"# {FRICTION} = " in text
    assert "95 %" in text
    assert main(arguments) == 2
    assert "never overwritten" in capsys.readouterr().err
    assert new.read_text() == text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--free", "wing.section.suctoin"], "did you mean"),
        (["--free", "a b"], "expected KEY,KEY"),
        (["--free", LAG, "--within", f"{LAG}=1"], "expected KEY=LOW:HIGH"),
        (["--free", LAG, "--within", f"{FRICTION}=1:2"], "not among the keys"),
        (["--free", LAG, "--prior", f"{LAG}=x"], "expected KEY=UNCERTAINTY"),
        (["--free", LAG, "--prior", f"{LAG}=-1"], "expected a prior > 0"),
        (["--free", LAG, "--use", "lift,thurst"], "did you mean thrust"),
        (["--free", LAG, "--use", "torque"], "one of voltage, current, lift, thrust"),
    ],
)
def test_calibrate_refuses_wrong_options(
    options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["calibrate", str(CASE), "--log", str(LOG), "--rig", str(RIG), *options]) == 2
    assert words in capsys.readouterr().err


def test_the_example_log_holds_the_glasshouse_cruise() -> None:
    from flapsim.rig.reduction import reduce_log

    found = reduce_log(LOG, bench()).account.estimates
    mean = predict(glasshouse(), bench(), ripple=0.01).mean
    for name, estimate in found.items():
        assert estimate.low <= mean[name] <= estimate.high, name
    assert np.isfinite([estimate.uncertainty for estimate in found.values()]).all()


def test_a_rehearsed_log_reduces_to_the_true_values_at_its_top(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "rehearsed.csv"
    arguments = ["rehearse", str(CASE), "--rig", str(RIG), "--seed", "3", "-o", str(new)]
    assert main(arguments) == 0
    head = [line[2:] for line in new.read_text().splitlines() if line.startswith("# ")]
    truth = {name: float(rest.split(",")[0]) for name, rest in
             (line.split(" = ") for line in head[1:])}  # fmt: skip
    capsys.readouterr()
    assert main(["reduce", str(new), "--rig", str(RIG), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    for name in ("electrical_power_w", "lift_n", "thrust_n", "shaft_power_w"):
        found = document["uncertainty"][name]
        # Four standard uncertainties: this is one draw, the coverage is checked elsewhere.
        assert abs(document["mean"][name] - truth[name]) < 4.0 * found["uncertainty"], name
    before = new.read_text()
    assert main(arguments) == 2
    assert "a log is never overwritten" in capsys.readouterr().err
    assert new.read_text() == before


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--strokes", "0"], "expected a number from 1 to"),
        (["--seed", "-1"], "expected a number >= 0"),
        (["--set", "drive.gear_ratio=-2"], "drive.gear_ratio"),
    ],
)
def test_rehearse_refuses_wrong_options(
    options: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "x.csv"
    assert main(["rehearse", str(CASE), "--rig", str(RIG), "-o", str(out), *options]) == 2
    assert words in capsys.readouterr().err
    assert not out.exists()
