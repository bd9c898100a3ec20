"""Forces and speeds of particles, against closed forms and published worked examples."""

import math

import pytest

from doe.trade.settling import centrifuge_of, force_of, relative_centrifugal_force, stokes_velocity


def test_the_centrifuge_constant_is_angular_speed_squared_times_radius_over_gravity():
    exact = (2 * math.pi * 3000 / 60) ** 2 * 0.10 / 9.80665
    assert relative_centrifugal_force(10, 3000) == pytest.approx(exact, rel=3e-4)  # the constant has four digits
    assert relative_centrifugal_force(10, 3000) == pytest.approx(1006.2)


@pytest.mark.parametrize(
    "method, found",
    [
        ("centrifuge, 3000 rpm, r 10 cm, 30 min", (10.0, 3000.0)),
        ("Centrifugation at 2500 1/min, radius = 145 mm", (14.5, 2500.0)),
        ("centrifuge, 30 min", (None, None)),
        ("rotational, spindle 5, 10 rpm", None),
    ],
)
def test_radius_and_speed_are_read_from_the_method(method, found):
    assert centrifuge_of(method) == found


@pytest.mark.parametrize(
    ("method", "force"),
    [
        ("centrifuge, 1000 x g", 1000.0),
        ("RCF = 1006,5", 1006.5),
        ("2500 RCF", 2500.0),
        ("400 × g", 400.0),
        ("20 g", None),
    ],
)
def test_a_force_is_read_from_the_method(method, force):
    assert force_of(method) == force


@pytest.mark.parametrize(
    "solid, liquid, viscosity, velocity",
    # Worked examples with g = 9.81: jovanaeducation.com/guides/pht-liq-3 and pht-dsp-3, d = 10 um.
    [(1500, 1000, 0.001, 2.725e-05), (1500, 1000, 0.020, 1.3625e-06), (1500, 1100, 0.020, 1.09e-06)],
)
def test_settling_speed_of_published_examples(solid, liquid, viscosity, velocity):
    found = stokes_velocity(10e-6, solid - liquid, viscosity)
    assert found == pytest.approx(velocity * 9.80665 / 9.81, rel=1e-12)
