"""Measure the inertia at the barrel from two set-ups that differ by a known mass.

In: the load per strike of each striker on both (contract 'strikers'), the wheels as built. Out: the whole inertia at
the barrel, barrel and shafts included, with its interval.

A strike takes the share d = E / (I ω²) of the speed, the same E on both (`timing/model/load`). With r = d ω² of the
light set-up over that of the heavy one, and the added inertia A known,

    I = A / (r − 1)        on the light one.

Known is what is added: wheels given by mass and size, behind the same pulleys. Another pulley changes the part of a
wheel alone, and barrel and wheel cannot then be told apart by two set-ups.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline import flywheel, tables
from pipeline.settings import Machine
from pipeline.trend.group_values import KEYS
from pipeline.trend.intervals import NORMAL


@dataclass(frozen=True)
class Measured:
    """Inertia at the barrel in one set-up, and the ends of its 95 % interval (kg m²)."""

    setup: str
    value: float
    low: float
    high: float


def measured(strikers: pd.DataFrame, takes: pd.DataFrame, machines: dict[str, Machine]) -> Measured | None:
    """Return the inertia of the lightest set-up; None where it cannot be told, or not from above.

    Parameters
    ----------
    strikers : pd.DataFrame
        Contract 'strikers', of one arrangement.
    takes : pd.DataFrame
        Contract 'recordings', of the same, used ones.
    machines : dict of str to Machine
        In each set-up.
    """
    built = {name: flywheel.inertia_at_barrel_kg_m2(one) for name, one in machines.items() if _as_built(one)}
    newest = {key[KEYS.index("setup")]: key for key in sorted(takes[KEYS].itertuples(index=False, name=None))}
    played = sorted((name for name in built if name in newest), key=built.get)
    alike = [name for name in played if flywheel.ratio(machines[name]) == flywheel.ratio(machines[played[0]])]
    if len(alike) < 2 or not built[alike[-1]] > built[alike[0]]:
        return None
    light, heavy = (_loads(strikers, takes, newest[name]) for name in (alike[0], alike[-1]))
    ratio, log_se = _ratio(light, heavy)
    low, high = ratio * np.exp(-NORMAL * log_se), ratio * np.exp(NORMAL * log_se)
    if not low > 1:
        return None
    added = built[alike[-1]] - built[alike[0]]
    return Measured(alike[0], *(float(added / (one - 1)) for one in (ratio, high, low)))


def _as_built(machine) -> bool:
    return machine.flywheel is not None and bool(machine.flywheel.wheels)


@dataclass(frozen=True)
class _Loads:
    """Drag × tempo² of each striker and its error, and the relative error that all strikers share."""

    table: pd.DataFrame
    shared: float


def _loads(strikers, takes, key) -> _Loads:
    mine, of = tables.of_group(strikers, key).set_index("striker"), tables.of_group(takes, key)
    shared = float((of["sag_max_se"] / of["sag_max"]).astype(float).mean())
    table = mine[["drag", "drag_se"]].astype(float) * float(of["tempo_bpm"].mean()) ** 2
    return _Loads(table[mine["drag_se"] > 0], shared)


def _ratio(light, heavy) -> tuple[float, float]:
    """Return the ratio of the loads over the strikers heard in both, and the standard error of its logarithm."""
    both = light.table.add_suffix("_light").join(heavy.table.add_suffix("_heavy"), how="inner")
    if not len(both):
        return np.nan, np.nan
    weight = 1 / (both["drag_se_light"] ** 2 + both["drag_se_heavy"] ** 2)
    sums = [float((weight * both[f"drag_{name}"]).sum()) for name in ("light", "heavy")]
    if min(sums) <= 0:
        return np.nan, np.nan
    errors = [float((weight**2 * both[f"drag_se_{name}"] ** 2).sum()) for name in ("light", "heavy")]
    variance = sum(error / one**2 for error, one in zip(errors, sums, strict=True))
    return sums[0] / sums[1], float(np.sqrt(variance + light.shared**2 + heavy.shared**2))
