"""Optimum: least cost under linear rows, in real or whole numbers, with the bound that proves how good it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

Status = Literal["optimal", "node limit", "time limit", "infeasible"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Optimum:
    """The best values found and what proves how good they are.

    Parameters
    ----------
    status : str
        ``"optimal"`` (to the gap asked for), ``"node limit"`` or ``"time limit"`` (values hold but the gap is wider;
        without values the cost is infinite) or ``"infeasible"`` (no values hold all rows).
    values : ndarray, shape (variable,)
        Empty when there are none.
    cost : float
        Cost of `values`; infinite when there are none.
    bound : float
        No solution can cost less than this.
    prices : ndarray, shape (row,)
        What one unit more of each row's binding bound costs; zero for whole-number problems.
    """

    status: Status
    values: NDArray[np.float64]
    cost: float
    bound: float
    prices: NDArray[np.float64]

    @property
    def gap(self) -> float:
        """By which share of itself the cost could at most be lowered. [-]"""
        if not np.isfinite(self.cost):
            return float("inf")
        return max(0.0, self.cost - self.bound) / max(abs(self.cost), 1e-12)


def least_cost(
    cost: ArrayLike,
    rows: csr_matrix | NDArray[np.float64],
    row_lower: ArrayLike,
    row_upper: ArrayLike,
    *,
    lower: ArrayLike = 0.0,
    upper: ArrayLike = np.inf,
    integer: ArrayLike = False,
    gap: float = 0.0,
    nodes: int | None = None,
    time_limit_s: float = 60.0,
    start: NDArray[np.float64] | None = None,
) -> Optimum:
    """Minimise ``cost @ x`` under ``row_lower <= rows @ x <= row_upper`` and ``lower <= x <= upper`` with HiGHS.

    Parameters
    ----------
    cost : array_like, shape (variable,)
        Cost of one unit of each variable.
    rows : sparse or dense matrix, shape (row, variable)
        Coefficients. Scale rows to about 1: tolerances are absolute (1e-7).
    row_lower, row_upper : array_like, shape (row,) or a number
        Bounds of the rows; infinite where there is none.
    integer : array_like of bool, shape (variable,) or one value
        Which variables are whole numbers.
    gap : float
        Stop once the cost is proven to be within this share of the best. [-]
    nodes : int, optional
        Stop after this many nodes of the search tree with the best found so far: the same ones on any machine.
    time_limit_s : float
        Stop after this time with the best found so far. [s]
    start : ndarray, shape (variable,), optional
        Values known to hold, to begin from.

    References
    ----------
    Huangfu and Hall, "Parallelizing the dual revised simplex method", Math. Prog. Comp. 10 (2018) 119 (HiGHS).
    """
    import highspy
    from scipy.sparse import csr_matrix

    costs = np.asarray(cost, np.float64)
    n = costs.size
    matrix = csr_matrix(rows)
    whole = np.broadcast_to(np.asarray(integer, bool), n)
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = n, matrix.shape[0]
    model.col_cost_ = costs
    model.col_lower_ = np.broadcast_to(np.asarray(lower, np.float64), n).copy()
    model.col_upper_ = np.broadcast_to(np.asarray(upper, np.float64), n).copy()
    model.row_lower_ = np.broadcast_to(np.asarray(row_lower, np.float64), matrix.shape[0]).copy()
    model.row_upper_ = np.broadcast_to(np.asarray(row_upper, np.float64), matrix.shape[0]).copy()
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_ = matrix.indptr
    model.a_matrix_.index_ = matrix.indices
    model.a_matrix_.value_ = matrix.data
    if whole.any():
        kinds = highspy.HighsVarType
        model.integrality_ = [kinds.kInteger if entry else kinds.kContinuous for entry in whole]
    solver = _quiet_solver()
    solver.setOptionValue("mip_rel_gap", float(gap))
    solver.setOptionValue("time_limit", float(time_limit_s))
    if nodes is not None:
        solver.setOptionValue("mip_max_nodes", int(nodes))
    solver.passModel(model)
    if start is not None and whole.any():
        begin = highspy.HighsSolution()
        begin.col_value = [float(value) for value in start]
        solver.setSolution(begin)
    solver.run()
    return _result(solver, matrix.shape[0], bool(whole.any()))


def _quiet_solver() -> Any:
    # The public class prints a banner when it is made, which no option stops; its compiled base does not, and standard
    # output belongs to results.
    from highspy._core import _Highs

    solver: Any = _Highs()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("random_seed", 0)
    return solver


def _result(solver: Any, n_rows: int, whole: bool) -> Optimum:
    import highspy

    state = solver.getModelStatus()
    info = solver.getInfo()
    none = np.zeros(0)
    if state in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
        return Optimum(status="infeasible", values=none, cost=np.inf, bound=np.inf, prices=none)
    solution = solver.getSolution()
    # HiGHS: 2 = a feasible solution is at hand.
    if int(info.primal_solution_status) != 2:
        bound = float(info.mip_dual_bound) if whole else -np.inf
        return Optimum(status=_limit(solver), values=none, cost=np.inf, bound=bound, prices=none)
    values = np.array(solution.col_value, np.float64)
    cost = float(info.objective_function_value)
    done = state == highspy.HighsModelStatus.kOptimal
    bound = float(info.mip_dual_bound) if whole else cost if done else -np.inf
    prices = np.zeros(n_rows) if whole else np.array(solution.row_dual, np.float64)
    status: Status = "optimal" if done else _limit(solver)
    return Optimum(status=status, values=values, cost=cost, bound=min(bound, cost), prices=prices)


def _limit(solver: Any) -> Status:
    import highspy

    return "node limit" if solver.getModelStatus() == highspy.HighsModelStatus.kSolutionLimit else "time limit"
