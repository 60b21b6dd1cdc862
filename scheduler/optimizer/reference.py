"""The reference formulation as a model to extend and to hand to any solver.

`scheduler.api.model` gives it, and `overnight plan --write-model` writes it. README.md beside this file has its
mathematics.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pyomo.environ as pyo

from scheduler.nights.night import Night
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.formulation import formulate
from scheduler.optimizer.lexicographic import HELD, first_stage
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.textio.errors import shown, single_fault
from scheduler.textio.write import write_file

SHORTAGE_OBJECTIVES = OBJECTIVES[:3]
ENDINGS = (".mps", ".lp")


def reference_model(night: Night) -> pyo.ConcreteModel:
    """Return the night's reference formulation, to be minimised in money.

    The objective `least_money` is active. The three priorities before it are constraints, `on_the_way_is_least`,
    `missing_at_departure_is_least` and `missing_when_ready_is_least`: each holds its sum to the least there is. The
    compact formulation finds that first, and the parameters `most_on_the_way`, `most_missing_at_departure` and
    `most_missing_when_ready` [kWh] say it. The two objectives after money, which choose among equally cheap plans, are
    there and not active.

    Raises
    ------
    NoPlanError : HiGHS found no plan.

    Examples
    --------
    >>> from scheduler.api import model, night, site
    >>> import pyomo.environ as pyo
    >>> inputs = site("scenarios/bookbindery")
    >>> tonight = model(night(inputs, 71, now="2026-03-02T18:20", trips="07:30-18:00 96km"))
    >>> pyo.SolverFactory("appsi_highs").solve(tonight).solver.termination_condition.name
    'optimal'
    >>> round(pyo.value(tonight.least_money), 2)
    6.93
    """
    model = formulate(night)
    for objective in OBJECTIVES:
        if objective != "least_money":
            model.component(objective).deactivate()
    for objective, least in zip(SHORTAGE_OBJECTIVES, _least_shortages(night), strict=True):
        name = objective.removeprefix("least_")
        most = pyo.Param(initialize=least, mutable=True)
        model.add_component(f"most_{name}", most)
        model.add_component(f"{name}_is_least", pyo.Constraint(expr=model.component(objective).expr <= most + HELD))
    return model


def check_model_file(file: Path) -> None:
    """Refuse a file whose ending names no format.

    Raises
    ------
    InputFaults : the ending is another than .mps or .lp.
    """
    if file.suffix.lower() not in ENDINGS:
        raise single_fault("--write-model", f"found {shown(str(file))}; expected a file name that ends in .mps or .lp")


def model_text(night: Night, ending: str) -> str:
    """Return the reference formulation in the format of an ending, ".mps" or ".lp", with readable names.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"night{ending.lower()}"
        reference_model(night).write(str(file), io_options={"symbolic_solver_labels": True})
        return file.read_text(encoding="utf-8")


def write_model(night: Night, file: Path) -> None:
    """Write the reference formulation to a file, in the format of its ending.

    Raises
    ------
    InputFaults : the ending is another than .mps or .lp.
    NotWrittenError : the file cannot be written; what was there before is as it was.
    NoPlanError : HiGHS found no plan.
    """
    check_model_file(file)
    write_file(file, model_text(night, file.suffix))


def _least_shortages(night: Night) -> list[float]:
    """Return the least of each of the first three objectives with the earlier ones held [kWh]."""
    stage = first_stage(compact_matrix(night))
    served = stage.program.without_shortages()
    if not isinstance(stage.solver.run(served, "least_on_the_way", HELD), str):
        return [0.0, 0.0, 0.0]
    found = []
    for objective in SHORTAGE_OBJECTIVES:
        stage = stage.minimised(objective, gap=HELD).holding(objective, HELD)
        found.append(stage.value(objective))
    return found
