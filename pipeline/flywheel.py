"""Turn what a flywheel is built of into inertia, energy and rim speed, and reflect it through pulleys.

Standard mechanics: a ring of mass m between the radii r and R has the inertia ½ m (R² + r²) about its axis (a solid
disc ½ m R²); seen through a drive that turns it `ratio` times as fast, it is ratio² as much; it stores ½ I ω².
"""

import math
from dataclasses import replace

from pipeline import settings


def inertia_kg_m2(flywheel: settings.Flywheel) -> float | None:
    """Return the inertia about the wheel's own shaft; None when neither it nor the wheels are told."""
    if flywheel.inertia_kg_m2 is not None:
        return flywheel.inertia_kg_m2
    if not flywheel.wheels:
        return None
    return sum(wheel.count * ring_kg_m2(wheel.mass_kg, wheel.outer_mm, wheel.inner_mm) for wheel in flywheel.wheels)


def ring_kg_m2(mass_kg: float, outer_mm: float, inner_mm: float = 0.0) -> float:
    """Return the inertia of a ring or, with `inner_mm` 0, a disc about its axis; the sizes are diameters."""
    return mass_kg * ((outer_mm / 2000) ** 2 + (inner_mm / 2000) ** 2) / 2


def reflected_kg_m2(inertia_kg_m2: float, ratio: float) -> float:
    """Return the inertia as felt at a shaft that turns once while the wheel turns `ratio` times."""
    return inertia_kg_m2 * ratio**2


def with_one_more(flywheel: settings.Flywheel) -> settings.Flywheel | None:
    """Return the flywheel with one more of its largest wheel (by inertia), else of itself; None when none is told."""
    if flywheel.inertia_kg_m2 is not None:
        return replace(flywheel, inertia_kg_m2=2 * flywheel.inertia_kg_m2)
    if not flywheel.wheels:
        return None
    largest = max(flywheel.wheels, key=lambda wheel: ring_kg_m2(wheel.mass_kg, wheel.outer_mm, wheel.inner_mm))
    more = tuple(replace(one, count=one.count + (one is largest)) for one in flywheel.wheels)
    return replace(flywheel, wheels=more)


def ratio(machine: settings.Machine) -> float:
    """Return the turns of the flywheel per turn of the barrel; 1 when no shaft is named 'flywheel'."""
    return next((shaft.turns for shaft in machine.shafts if shaft.name == "flywheel"), 1.0)


def inertia_at_barrel_kg_m2(machine: settings.Machine) -> float | None:
    """Return the flywheel's inertia reflected to the barrel; None when it is not told."""
    if machine.flywheel is None:
        return None
    own = inertia_kg_m2(machine.flywheel)
    return None if own is None else reflected_kg_m2(own, ratio(machine))


def energy_j(inertia_kg_m2: float, turn_per_s: float) -> float:
    """Return the energy stored at a speed: ½ I ω²."""
    return 0.5 * inertia_kg_m2 * (2 * math.pi * turn_per_s) ** 2


def strike_energy_j(inertia_kg_m2: float, turn_per_s: float, drag: float) -> float:
    """Return the energy that a strike takes which takes the share `drag` of the speed: ½ I ω² (1 − (1 − d)²)."""
    return energy_j(inertia_kg_m2, turn_per_s) * (1 - (1 - drag) ** 2)


def surface_mm_per_s(diameter_mm: float, turn_per_s: float) -> float:
    """Return the speed of a wheel's rim, or of a barrel's surface: π d n."""
    return math.pi * diameter_mm * turn_per_s


def rim_stress_pa(density_kg_m3: float, rim_m_per_s: float) -> float:
    """Return the hoop stress of a thin free rim: ρ v². What a rim bears is for someone competent to say."""
    return density_kg_m3 * rim_m_per_s**2


def fluctuation(energy_swing_j: float, inertia_kg_m2: float, turn_per_s: float) -> float:
    """Return the coefficient of fluctuation of speed (ω₁ − ω₂)/ω that an energy swing causes: ΔE / (I ω²)."""
    return energy_swing_j / (2 * energy_j(inertia_kg_m2, turn_per_s))


def energy_swing_j(fluctuation: float, inertia_kg_m2: float, turn_per_s: float) -> float:
    """Return the energy swing that makes a coefficient of fluctuation of speed: ΔE = I ω² Cs."""
    return fluctuation * 2 * energy_j(inertia_kg_m2, turn_per_s)


def inertia_needed_kg_m2(energy_swing_j: float, fluctuation: float, turn_per_s: float) -> float:
    """Return the inertia that holds an energy swing to a coefficient of fluctuation of speed: ΔE / (ω² Cs)."""
    return energy_swing_j / (fluctuation * (2 * math.pi * turn_per_s) ** 2)
