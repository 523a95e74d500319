"""Hold the flywheel's mechanics against handbook examples (most of them read in copies: secondary)."""

import math

import numpy as np
import pytest
from scipy import integrate

from pipeline import flywheel
from pipeline.settings import Barrel, Flywheel, Machine, Shaft, Wheel


def make_machine(wheel, turns=None):
    shafts = (Shaft("crank", 3.0),) if turns is None else (Shaft("crank", 3.0), Shaft("flywheel", turns))
    return Machine(Barrel(8.0, 420.0), shafts, wheel, ())


def test_energy_swing_and_speeds_of_a_handbook_wheel():
    # Khurmi & Gupta, Theory of Machines, Ex. 16.1 (secondary): 6500 kg, k = 1.8 m, ΔE = 56 kJ, 120 rpm.
    inertia = 6500 * 1.8**2
    assert inertia == pytest.approx(21060)
    share = flywheel.fluctuation(56e3, inertia, 2.0)
    assert share == pytest.approx(0.016838753, rel=1e-6)
    assert 120 * (1 + share / 2) == pytest.approx(121.0103, abs=1e-4)
    assert 120 * (1 - share / 2) == pytest.approx(118.9897, abs=1e-4)


def test_mass_of_a_handbook_wheel():
    # Same, Ex. 16.3 (secondary): 300 kW, 90 rpm, ΔE a tenth of the work of a turn, Cs 0.01 (±0.5 %), k = 2 m.
    swing_j = 0.1 * 300e3 * 60 / 90
    assert swing_j == pytest.approx(20e3)
    assert flywheel.inertia_needed_kg_m2(swing_j, 0.01, 1.5) / 2**2 == pytest.approx(5628.95, abs=0.01)


def test_inertia_for_two_torques_against_each_other():
    # Worked example (secondary): T1 = 15000 + 8000 sin 2θ, T2 = 15000 − 6000 cos θ, 200 rpm, Cs 0.02.
    angle = np.linspace(0, 2 * np.pi, 200001)
    work = integrate.cumulative_simpson(8000 * np.sin(2 * angle) + 6000 * np.cos(angle), x=angle, initial=0)
    assert np.ptp(work) == pytest.approx(15125, rel=1e-8)
    assert flywheel.inertia_needed_kg_m2(np.ptp(work), 0.02, 200 / 60) == pytest.approx(1724.04, abs=0.01)


def test_swing_fluctuation_and_inertia_are_one_relation():
    assert flywheel.energy_swing_j(0.02, 3.0, 1.7) == pytest.approx(3.0 * (2 * math.pi * 1.7) ** 2 * 0.02)
    assert flywheel.fluctuation(flywheel.energy_swing_j(0.02, 3.0, 1.7), 3.0, 1.7) == pytest.approx(0.02)


def test_a_uniform_speed_swing_moves_evenly_spaced_strikes_by_its_integral():
    # Derived: speed ω(1 + (Cs/2) cos ωt) moves the angle by (Cs/2)/ω sin ωt: 0.5 rev/s, Cs 0.04 -> 6.366 ms.
    t = np.linspace(0, 2, 400001)
    omega = 2 * np.pi * 0.5
    angle = integrate.cumulative_simpson(omega * (1 + 0.02 * np.cos(omega * t)), x=t, initial=0)
    assert np.abs(angle / omega - t).max() == pytest.approx(6.366e-3, abs=1e-6)


def test_inertia_of_wheels_is_polar_not_diametral():
    # Disc ½ m r², annulus ½ m (R² + r²) (standard mechanics, from memory).
    assert flywheel.ring_kg_m2(10, 600) == pytest.approx(0.5 * 10 * 0.3**2)
    assert flywheel.ring_kg_m2(18, 600, 420) == pytest.approx(0.5 * 18 * (0.3**2 + 0.21**2))
    # A thin ring has all its mass at one radius.
    assert flywheel.ring_kg_m2(5, 600, 599.99) == pytest.approx(5 * 0.3**2, rel=1e-4)


def test_wheels_as_built_are_summed_with_their_count():
    built = Flywheel(wheels=(Wheel(18, 600, 420, 2), Wheel(4, 200)))
    expected = 2 * 0.5 * 18 * (0.3**2 + 0.21**2) + 0.5 * 4 * 0.1**2
    assert flywheel.inertia_kg_m2(built) == pytest.approx(expected)
    assert flywheel.inertia_kg_m2(Flywheel(diameter_mm=600)) is None


def test_inertia_is_reflected_by_the_square_of_the_ratio():
    # 0.5 kg m² geared up 4 : 1 reflects as 8.0 (standard mechanics, from memory).
    assert flywheel.reflected_kg_m2(0.5, 4) == pytest.approx(8.0)
    assert flywheel.inertia_at_barrel_kg_m2(make_machine(Flywheel(0.5), turns=4.0)) == pytest.approx(8.0)
    assert flywheel.inertia_at_barrel_kg_m2(make_machine(Flywheel(0.5))) == pytest.approx(0.5)
    assert flywheel.inertia_at_barrel_kg_m2(make_machine(None, 4.0)) is None


def test_a_strike_that_takes_all_the_speed_takes_all_the_energy():
    assert flywheel.strike_energy_j(80, 0.05, 1.0) == pytest.approx(flywheel.energy_j(80, 0.05))
    # A small share of the speed takes twice that share of the energy.
    assert flywheel.strike_energy_j(80, 0.05, 1e-4) == pytest.approx(2e-4 * flywheel.energy_j(80, 0.05), rel=1e-4)


def test_rim_speed_and_stress():
    # πDn and ρv² (standard mechanics, from memory): doubling the speed makes four times the stress.
    assert flywheel.surface_mm_per_s(600, 2.0) == pytest.approx(3769.9, abs=0.1)
    assert flywheel.rim_stress_pa(7200, 30) == pytest.approx(6.48e6)
    assert flywheel.rim_stress_pa(700, 8) == pytest.approx(4 * flywheel.rim_stress_pa(700, 4))
