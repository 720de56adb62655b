"""Air density against published tables."""

import pytest

from drillfeed.daemon.physics.air import (
    SEA_LEVEL_PRESSURE_PA,
    air_at,
    density_kgpm3,
    isa_pressure_pa,
    vapour_pressure_pa,
)


@pytest.mark.parametrize(
    ("altitude_m", "expected"),
    [(0, 1.2250), (500, 1.1673), (1000, 1.1116), (1500, 1.0581), (2240, 0.9824), (3000, 0.9091)],
)
def test_standard_atmosphere(altitude_m: float, expected: float) -> None:
    """Density follows the International Standard Atmosphere (ISO 2533:1975) to the four places its tables print."""
    temp_c = 15.0 - 6.5 * altitude_m / 1000
    found = density_kgpm3(temp_c, isa_pressure_pa(altitude_m))
    assert found == pytest.approx(expected, abs=0.6e-4)


@pytest.mark.parametrize(("temp_c", "expected"), [(15, 1.2250), (20, 1.2041), (25, 1.1839)])
def test_dry_air(temp_c: float, expected: float) -> None:
    """Dry air at 101325 Pa has the density of the usual tables, to the four places printed there."""
    assert density_kgpm3(temp_c, SEA_LEVEL_PRESSURE_PA) == pytest.approx(expected, abs=0.6e-4)


def test_moist_air_is_lighter() -> None:
    """Moist air at 20 C is 0.9 % lighter than dry: 2339 Pa of vapour (steam tables) at 0.622 of air's mass."""
    assert vapour_pressure_pa(20.0) == pytest.approx(2339.0, rel=0.005)
    share = density_kgpm3(20.0, SEA_LEVEL_PRESSURE_PA, 1.0) / density_kgpm3(20.0, SEA_LEVEL_PRESSURE_PA)
    assert share == pytest.approx(1.0 - (1.0 - 0.622) * 2339.0 / SEA_LEVEL_PRESSURE_PA, abs=1e-4)


def test_given_pressure_wins_over_altitude() -> None:
    """A measured pressure is used as it is, whatever the altitude."""
    assert air_at(20.0, 1500.0, 95_000.0) == air_at(20.0, 0.0, 95_000.0)
    assert air_at(20.0, 1500.0).density_kgpm3 < air_at(20.0).density_kgpm3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"temp_c": 99.0}, "temperature 99 C"),
        ({"pressure_pa": 1013.25}, "pressure 1013.25 Pa"),
        ({"relative_humidity": 50.0}, "humidity 50"),
        ({"altitude_m": 60_000.0}, "altitude 60000 m"),
    ],
    ids=["too hot", "hPa for Pa", "percent for share", "too high"],
)
def test_nonsense_is_refused(arguments: dict[str, float], words: str) -> None:
    """A figure in the wrong unit is refused with what was found."""
    with pytest.raises(ValueError, match=words):
        air_at(**arguments)
