"""The Pyomo model as numbers: one matrix for HiGHS, with a cost row for each objective."""

from __future__ import annotations

import highspy
import numpy as np
import pyomo.environ as pyo
from pyomo.repn import generate_standard_repn

from scheduler.nights.night import Night
from scheduler.optimizer.formulation import formulate
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES


def compile_matrix(night: Night, may_discharge: bool = True) -> Matrix:
    """Formulate the night and hand it over as a matrix, row by row."""
    model = formulate(night, may_discharge)
    variables = [each for each in model.component_data_objects(pyo.Var) if not each.fixed]
    position = {id(variable): column for column, variable in enumerate(variables)}
    columns: dict[str, list[int]] = {}
    for column, variable in enumerate(variables):
        columns.setdefault(variable.parent_component().local_name, []).append(column)

    index: list[int] = []
    value: list[float] = []
    starts: list[int] = [0]
    lower: list[float] = []
    upper: list[float] = []
    for constraint in model.component_data_objects(pyo.Constraint, active=True):
        row = generate_standard_repn(constraint.body, quadratic=False)
        index += [position[id(variable)] for variable in row.linear_vars]
        value += row.linear_coefs
        starts.append(len(index))
        lower.append(-highspy.kHighsInf if constraint.lb is None else constraint.lb - row.constant)
        upper.append(highspy.kHighsInf if constraint.ub is None else constraint.ub - row.constant)

    cost, offset = np.zeros((len(OBJECTIVES), len(variables))), np.zeros(len(OBJECTIVES))
    for number, name in enumerate(OBJECTIVES):
        row = generate_standard_repn(model.component(name).expr, quadratic=False)
        cost[number, [position[id(variable)] for variable in row.linear_vars]] = row.linear_coefs
        offset[number] = row.constant

    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(variables), len(lower)
    lp.col_cost_ = np.zeros(len(variables))
    lp.col_lower_ = np.array([-highspy.kHighsInf if each.lb is None else each.lb for each in variables])
    lp.col_upper_ = np.array([highspy.kHighsInf if each.ub is None else each.ub for each in variables])
    lp.row_lower_, lp.row_upper_ = np.array(lower), np.array(upper)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_, lp.a_matrix_.index_, lp.a_matrix_.value_ = np.array(starts), np.array(index), np.array(value)
    kinds = highspy.HighsVarType
    whole = np.flatnonzero([not each.is_continuous() for each in variables])
    lp.integrality_ = [kinds.kContinuous if each.is_continuous() else kinds.kInteger for each in variables]
    named = {name: np.array(positions, dtype=np.int64) for name, positions in columns.items()}
    return Matrix(lp, whole, cost, offset, named)
