"""The air a ball flies through: density from temperature, pressure, altitude and humidity; SI units."""

import math
from dataclasses import dataclass

from drillfeed.protocol.texts.catalogue import text

SEA_LEVEL_PRESSURE_PA = 101325.0
STANDARD_GRAVITY_MPS2 = 9.80665
_LAPSE_KPM = 0.0065
_SEA_LEVEL_K = 288.15
_GAS_CONSTANT = 8.314462618
_MOLAR_DRY_KG = 0.0289652
_MOLAR_VAPOUR_KG = 0.01801528
_ZERO_CELSIUS_K = 273.15
_PRESSURE_EXPONENT = STANDARD_GRAVITY_MPS2 * 0.0289644 / (8.31432 * _LAPSE_KPM)


@dataclass(frozen=True)
class Air:
    """Hold air density and gravity. The default is dry air at 20 C at sea level."""

    density_kgpm3: float = 1.204
    gravity_mps2: float = STANDARD_GRAVITY_MPS2


STILL_AIR = Air()


def isa_pressure_pa(altitude_m: float) -> float:
    """Return the pressure of the International Standard Atmosphere below 11 km (ISO 2533:1975)."""
    ratio = 1.0 - _LAPSE_KPM * altitude_m / _SEA_LEVEL_K
    return float(SEA_LEVEL_PRESSURE_PA * ratio**_PRESSURE_EXPONENT)


def vapour_pressure_pa(temp_c: float) -> float:
    """Return the saturation pressure of water vapour over water (Magnus form of Alduchov and Eskridge 1996, eq. 21)."""
    return 610.94 * math.exp(17.625 * temp_c / (temp_c + 243.04))


def density_kgpm3(temp_c: float, pressure_pa: float, relative_humidity: float = 0.0) -> float:
    """Return the density of moist air as a mixture of two ideal gases; `relative_humidity` is 0 to 1.

    Raises ValueError outside -40..60 C, 30..120 kPa or 0..1, where the formulas do not hold.
    """
    if not -40.0 <= temp_c <= 60.0:
        raise ValueError(text("air.temperature", temp_c=temp_c))
    if not 30_000.0 <= pressure_pa <= 120_000.0:
        raise ValueError(text("air.pressure", pressure_pa=pressure_pa))
    if not 0.0 <= relative_humidity <= 1.0:
        raise ValueError(text("air.humidity", relative_humidity=relative_humidity))
    vapour_pa = relative_humidity * vapour_pressure_pa(temp_c)
    dry_pa = pressure_pa - vapour_pa
    kelvin = temp_c + _ZERO_CELSIUS_K
    return (dry_pa * _MOLAR_DRY_KG + vapour_pa * _MOLAR_VAPOUR_KG) / (_GAS_CONSTANT * kelvin)


def air_at(
    temp_c: float = 20.0, altitude_m: float = 0.0, pressure_pa: float | None = None, relative_humidity: float = 0.0
) -> Air:
    """Return the air of a hall; without `pressure_pa` the standard atmosphere gives the pressure at the altitude."""
    if not -500.0 <= altitude_m <= 6000.0:
        raise ValueError(text("air.altitude", altitude_m=altitude_m))
    pressure = isa_pressure_pa(altitude_m) if pressure_pa is None else pressure_pa
    return Air(density_kgpm3(temp_c, pressure, relative_humidity))
