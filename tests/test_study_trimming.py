"""A point of a sweep flies in the state in which it would fly alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flapsim.flight.trim import trim_many
from flapsim.study.engine import sweep
from flapsim.study.reading import Study, parse_study
from flapsim.study.sampling import points_of

CASES = Path(__file__).parents[1] / "cases"

COARSE = (
    'set = { "model.steps" = 32, "wing.inner.strips" = 6, "wing.outer.strips" = 8,'
    ' "model.modes" = 4 }\n'
)


def planforms() -> Study:
    """The shipped study of planforms, coarser, and sampled so that neighbours lead some astray."""
    text = (CASES / "planform_study.toml").read_text("utf-8")
    text = text.replace('sampling = "sobol"', 'sampling = "latin-hypercube"')
    text = text.replace("samples = 256", f"samples = 192\n{COARSE}").replace(
        "seed = 11", "seed = 5"
    )
    return parse_study(text, CASES)


def test_a_neighbour_does_not_lead_a_point_astray(tmp_path: Path) -> None:
    study = planforms()
    table = sweep(study, tmp_path / "r.h5", chunk=64)
    assert study.plan.trim is not None
    columns = points_of(study).columns(0, 192)
    alone = trim_many(study.case, columns, study.plan.trim.free, study.plan.trim.hold)
    assert table.done.all()
    # Both balance to 1e-9 of the weight, which leaves some 1e-8 of the power.
    np.testing.assert_allclose(
        table.column("mean.aero_power_w"), alone.results["mean.aero_power_w"], rtol=1e-6
    )


def test_trimmed_points_do_not_depend_on_chunks_or_workers(tmp_path: Path) -> None:
    first = sweep(planforms(), tmp_path / "a.h5", chunk=64, workers=2)
    for name, more in {"b": {"chunk": 192}, "c": {"chunk": 128, "backend": "processes"}}.items():
        other = sweep(planforms(), tmp_path / f"{name}.h5", workers=2, **more)  # type: ignore[arg-type]
        for quantity in first.names:
            np.testing.assert_array_equal(
                first.column(quantity), other.column(quantity), err_msg=quantity
            )
