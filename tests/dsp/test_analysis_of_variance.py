"""Deviations and spread as an analysis of variance, against certified values and two reference libraries.

Certified: NIST Statistical Reference Datasets, analysis of variance, data sets AtmWtAg (average difficulty), SmLs01 (lower)
and SmLs04 (average: six constant leading digits); data and values as published, from memory. A slip of memory would show,
since the data must give the certified sums.
The confidence sequences of `confseq` are no reference here: it did not build (C++ and boost); `test_sequential.py` holds
ours against closed forms and numerical integration instead.
"""

from __future__ import annotations

import numpy as np
import pytest
from evenstroke_dsp.balance import BalanceTable
from evenstroke_dsp.blocks import Floats
from scipy import stats

# Columns: two instruments, 24 replications.
ATM_WT_AG = 107.86 + 1e-7 * np.array(
    [
        [81568, 81465, 81572, 81785, 81446, 81903, 81526, 81494, 81616, 81587, 81519, 81486, 81419, 81569, 81508,
         81672, 81385, 81518, 81662, 81424, 81360, 81333, 81610, 81477],
        [81079, 81344, 81513, 81197, 81604, 81385, 81642, 81365, 81151, 81082, 81517, 81448, 81198, 81482, 81334,
         81609, 81101, 81512, 81469, 81360, 81254, 81261, 81450, 81368],
    ]
).T  # fmt: skip


def small_mean_squares(base: float) -> Floats:
    """SmLs: nine treatments of 21 replications, treatments and replications a tenth apart by turns."""
    treatment = base + np.array([0.4, *[0.3, 0.5] * 4])
    wave = np.array([0.0, *[-0.1, 0.1] * 10])
    return np.round(treatment[None, :] + wave[:, None], 1)


CERTIFIED = [
    pytest.param(ATM_WT_AG, 3.63834187500000e-09, 1.04951729166667e-08, 1.59467335677930e01, 1e-5, id="AtmWtAg"),
    pytest.param(small_mean_squares(1.0), 1.68, 1.80, 21.0, 1e-9, id="SmLs01"),
    pytest.param(small_mean_squares(1e6), 1.68, 1.80, 21.0, 1e-5, id="SmLs04"),
]  # fmt: skip


def table(values: Floats) -> BalanceTable:
    balance = BalanceTable(
        values.shape[1], tuple(range(values.shape[1])), relative=False, with_verdict=False, alpha=0.05
    )
    for k, row in enumerate(values):
        balance.add(k, row)
    return balance


@pytest.mark.parametrize(("values", "between", "within", "f", "rel"), CERTIFIED)
def test_sums_of_squares_are_the_certified_ones(
    values: Floats, between: float, within: float, f: float, rel: float
) -> None:
    replications, columns = values.shape
    assert stats.f_oneway(*values.T).statistic == pytest.approx(f, rel=max(rel, 1e-6))
    balance = table(values)
    deviations = balance.deviations()
    ours = replications * sum((d.deviation or 0.0) ** 2 for d in deviations)
    assert ours == pytest.approx(between, rel=rel)
    # The certified sum within columns, less what lies between the rows: each cycle is its own yardstick (randomised
    # complete block design; D. Montgomery, Design and Analysis of Experiments, chapter 4; from memory).
    rows = columns * float(((values.mean(axis=1) - values.mean()) ** 2).sum())
    freedom = (replications - 1) * (columns - 1)
    assert balance.spread is not None
    assert balance.spread**2 * freedom == pytest.approx(within - rows, rel=rel, abs=1e-8 * within)


def test_the_spread_is_the_residual_of_a_two_way_analysis_by_statsmodels() -> None:
    pandas = pytest.importorskip("pandas", reason="pandas is absent: the two-way analysis was not checked")
    formula = pytest.importorskip(
        "statsmodels.formula.api", reason="statsmodels is absent: the two-way analysis was not checked"
    )
    anova = pytest.importorskip("statsmodels.stats.anova")
    values = _cranked()
    cycle, cylinder = np.indices(values.shape)
    frame = pandas.DataFrame({"drop": values.ravel(), "cycle": cycle.ravel(), "cylinder": cylinder.ravel()})
    lines = anova.anova_lm(formula.ols("drop ~ C(cycle) + C(cylinder)", frame).fit())
    balance = table(values)
    deviations = balance.deviations()
    assert balance.spread is not None
    assert balance.spread**2 == pytest.approx(float(lines.loc["Residual", "mean_sq"]), rel=1e-9)
    ours = values.shape[0] * sum((d.deviation or 0.0) ** 2 for d in deviations)
    assert ours == pytest.approx(float(lines.loc["C(cylinder)", "sum_sq"]), rel=1e-9)


@pytest.mark.filterwarnings("ignore")  # the library's own
def test_repeated_measures_by_pingouin_give_the_same_f() -> None:
    pandas = pytest.importorskip("pandas", reason="pandas is absent: repeated measures were not checked")
    pingouin = pytest.importorskip(
        "pingouin", reason="pingouin is absent: repeated measures were not checked"
    )
    values = _cranked()
    cycle, cylinder = np.indices(values.shape)
    frame = pandas.DataFrame({"drop": values.ravel(), "cycle": cycle.ravel(), "cylinder": cylinder.ravel()})
    theirs = pingouin.rm_anova(frame, dv="drop", within="cylinder", subject="cycle", detailed=True)
    balance = table(values)
    deviations = balance.deviations()
    between = values.shape[0] * sum((d.deviation or 0.0) ** 2 for d in deviations) / (values.shape[1] - 1)
    assert balance.spread is not None
    assert between / balance.spread**2 == pytest.approx(float(theirs.loc[0, "F"]), rel=1e-6)


def _cranked() -> Floats:
    """Fourteen cycles of six cylinders: a level that sags, one small cylinder, 2 % of noise; nothing far out."""
    draw = np.random.default_rng(11)
    level = np.linspace(1.0, 0.9, 14)[:, None]
    return level + np.array([0.0, 0.0, -0.08, 0.0, 0.01, 0.0]) + 0.02 * draw.normal(size=(14, 6))
