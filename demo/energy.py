"""Compute the inertia at the barrel, and convert the energy of a strike to the speed it takes, and back."""

import numpy as np
import pyarrow as pa

from demo import score
from pipeline.settings import Flywheel, Machine

BARREL_INERTIA_KG_M2 = 3.0  # of the barrel itself
UNTOLD_INERTIA_KG_M2 = 80.0  # at the barrel, if the machine has no flywheel in its description


def inertia_at_barrel_kg_m2(machine: Machine) -> float:
    """Return barrel and flywheel as one inertia at the barrel: I + I_wheel × ratio²."""
    if machine.flywheel is None:
        return UNTOLD_INERTIA_KG_M2
    ratio = next((shaft.turns for shaft in machine.shafts if shaft.name == "flywheel"), 1.0)
    return BARREL_INERTIA_KG_M2 + _wheel_inertia_kg_m2(machine.flywheel) * ratio**2


def nominal_rad_per_s(notes: pa.Table) -> float:
    """Return the angular speed of the barrel at the written tempo."""
    return 2 * np.pi * score.turn_per_s(notes)


def drag_of(energy_j, machine: Machine, notes: pa.Table):
    """Return the share of the nominal speed that a strike of this energy takes: 1 − sqrt(1 − 2 E / (I ω₀²))."""
    twice = 2 * np.asarray(energy_j) / (inertia_at_barrel_kg_m2(machine) * nominal_rad_per_s(notes) ** 2)
    return 1 - np.sqrt(1 - twice)


def energy_of(drag, machine: Machine, notes: pa.Table):
    """Return the energy of a strike in joule that takes this share of the nominal speed (inverse of `drag_of`)."""
    return (1 - (1 - np.asarray(drag)) ** 2) / 2 * inertia_at_barrel_kg_m2(machine) * nominal_rad_per_s(notes) ** 2


def _wheel_inertia_kg_m2(flywheel: Flywheel) -> float:
    if flywheel.inertia_kg_m2 is not None:
        return flywheel.inertia_kg_m2
    # Of an annulus: m (r_outer² + r_inner²) / 2, radii in metres.
    return sum(w.count * w.mass_kg * ((w.outer_mm / 2e3) ** 2 + (w.inner_mm / 2e3) ** 2) / 2 for w in flywheel.wheels)
