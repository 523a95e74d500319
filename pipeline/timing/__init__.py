"""Explain the lateness of a group: aligned takes -> lateness, tempo, recordings, passages, strikers, pins and more.

One model of the whole group (`fit`) stands behind all tables, one module per table. Sources stand with the modules.
"""

import numpy as np
import pyarrow as pa

from pipeline import settings
from pipeline.errors import InputError
from pipeline.tables import empty
from pipeline.timing.data.score import score_of
from pipeline.timing.data.strikes import strikes_of
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit, fit
from pipeline.timing.tables import (
    budget,
    inertia,
    lateness,
    passages,
    pins,
    recordings,
    remainders,
    shafts,
    slips,
    strikers,
    tempo,
)
from pipeline.timing.tables.click import clicks_of

__all__ = ["Take", "fit_of", "tables_of"]

OF_FIT = ("lateness", "tempo", "passages", "strikers", "pins", "shafts", "slips", "budget", "remainders", "inertia")


def fit_of(machine: settings.Machine, notes: pa.Table, used: list[Take]) -> Fit:
    """Return the one fit that all tables are read from, of takes that are not refused."""
    score = score_of(notes)
    return fit(score, strikes_of(used, score, machine), machine)


def tables_of(
    group: settings.Group, machine: settings.Machine, notes: pa.Table, takes: list[Take]
) -> dict[str, pa.Table]:
    """Return the timing tables of a group.

    Parameters
    ----------
    machine : Machine
        In the group's set-up.
    notes : pa.Table
        Contract 'notes', of the group's arrangement.
    takes : list of Take
        The group's recordings, refused ones too: they get a row in 'recordings' and inform nothing else.

    Returns
    -------
    dict of str to pa.Table
        Under the contracts of these names: lateness, tempo, recordings, passages, strikers, pins, shafts, slips,
        budget, remainders, inertia. All but 'recordings' are empty when no take can be used.

    Raises
    ------
    InputError
        No model can be fitted to these takes. One take of another tune, aligned here and there by chance, is enough:
        `failures.without_those_that_fail` finds and refuses it.
    """
    used = [take for take in takes if not take.refused]
    if not used or len(notes) == 0:
        made = {name: empty(name) for name in OF_FIT}
        return made | {"recordings": recordings.recordings(group, takes, None, None, None, None)}
    try:
        fitted = fit_of(machine, notes, used)
    except np.linalg.LinAlgError:
        raise InputError(
            f"expected strikes that follow '{group.arrangement}' at a speed; found times that no speed explains; "
            "check that it is this arrangement"
        ) from None
    return tables_from(group, machine, takes, fitted)


def tables_from(
    group: settings.Group, machine: settings.Machine, takes: list[Take], fitted: Fit
) -> dict[str, pa.Table]:
    """Return the tables of `tables_of` from the fit of those `takes` that are not refused."""
    used = [take for take in takes if not take.refused]
    clicks = clicks_of(used, fitted)
    late = lateness.rows(used, fitted, clicks)
    moved = inertia.inertia(group, machine, fitted, late, clicks)
    return {
        "lateness": lateness.lateness(group, fitted, late),
        "tempo": tempo.tempo(group, used, fitted),
        "recordings": recordings.recordings(group, takes, fitted, late, clicks, moved),
        "passages": passages.passages(group, fitted, late),
        "strikers": strikers.strikers(group, machine, fitted, used),
        "pins": pins.pins(group, machine, fitted),
        "shafts": shafts.shafts(group, fitted),
        "slips": slips.slips(group, used, fitted),
        "budget": budget.budget(group, fitted, late),
        "remainders": remainders.remainders(group, fitted),
        "inertia": moved,
    }
