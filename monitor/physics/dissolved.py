"""Air in water, and water in air: what dissolves, what comes out on heating, how wet a gas is.

Water that is heated under pressure may hold its air or lose it; bubbles then take room like growth.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.boiling import saturation_pressure
from monitor.physics.bounds import FloatArray, above, within
from monitor.physics.fluids import ATMOSPHERE, ZERO, water

GAS_CONSTANT: Final = 8.314462618
"""R. [J/(mol K)] (CODATA 2018, exact)"""

OXYGEN: Final = 0.21
"""Mole fraction of oxygen in air; the rest counts as nitrogen. [-]"""

_MOLAR_MASS: Final = 18.015268e-3  # kg/mol of water
_T_MAX: Final = 75.0  # °C, where both smoothing equations end
_NITROGEN: Final = (-67.38765, 86.32129, 24.79808)
_OXYGEN: Final = (-66.73538, 87.47547, 24.45264)


def vapour_pressure(t: ArrayLike) -> FloatArray:
    """Return the saturation pressure of water over arrays. [Pa absolute].

    Parameters
    ----------
    t : array_like
        Temperature. [°C], 0.01 to 100.

    Raises
    ------
    OutOfRangeError
        If ``t`` is outside that range.

    References
    ----------
    .. [1] IAPWS R6-95(2018), through CoolProp 8 (HEOS::Water).

    Examples
    --------
    >>> round(float(vapour_pressure(20.0)))
    2339
    """
    celsius = within(t, "water temperature", "°C", 0.01, 100.0)
    found = [saturation_pressure(one) for one in celsius.ravel().tolist()]
    return np.asarray(found, dtype=np.float64).reshape(celsius.shape)


def air_content(t: ArrayLike, p: ArrayLike) -> FloatArray:
    """Return how much air water holds that is in balance with wet air at ``t`` and ``p``. [mol/m³].

    Henry's law for oxygen and nitrogen, each by its share of the dry pressure p - p_sat(t). Within 2 % of
    the tables of air up to 25 °C; the older ones among them lie up to 3 % lower at 50 °C.

    Parameters
    ----------
    t : array_like
        Temperature. [°C], 0.01 to 75.
    p : array_like
        Absolute pressure of gas and vapour together. [Pa]; the law is good to 1 MPa.

    Raises
    ------
    OutOfRangeError
        If ``t`` is outside its range or ``p`` is not above 0.

    References
    ----------
    .. [1] R. Battino (ed.), IUPAC Solubility Data Series 7 (1981), 10 (1982): ln x = A + B/(T/100 K)
       + C ln(T/100 K) at 101 325 Pa of the gas; the constants are repeated in the CRC Handbook of
       Chemistry and Physics, "Solubility of Selected Gases in Water".

    Examples
    --------
    >>> round(float(air_content(10.0, 101_325.0)) * 22.414)  # mL/L at 0 °C and 1 atm
    23
    """
    warm = within(t, "water temperature", "°C", 0.01, _T_MAX)
    dry = np.maximum(above(p, "absolute pressure", "Pa") - vapour_pressure(warm), 0.0)
    share = OXYGEN * _mole_fraction(warm, _OXYGEN) + (1.0 - OXYGEN) * _mole_fraction(warm, _NITROGEN)
    return np.asarray(share * dry / ATMOSPHERE * water().density(warm) / _MOLAR_MASS, dtype=np.float64)


def bubble_volume(content: ArrayLike, t: ArrayLike, p: ArrayLike) -> FloatArray:
    """Return the room that air takes that water with ``content`` [mol/m³] cannot hold at ``t`` and ``p``. [-].

    Volume of wet bubbles over volume of water once both are in balance, which takes hours without
    nuclei: an upper bound. 0 where the water can hold it all. Arguments as `air_content`.
    """
    held = within(content, "dissolved air", "mol/m³", 0.0)
    freed = np.maximum(held - air_content(t, p), 0.0)
    dry = above(np.asarray(p, np.float64) - vapour_pressure(t), "pressure above that of the vapour", "Pa")
    return np.asarray(freed * GAS_CONSTANT * (np.asarray(t, np.float64) + ZERO) / dry, dtype=np.float64)


def _mole_fraction(t: FloatArray, constants: tuple[float, float, float]) -> FloatArray:
    a, b, c = constants
    hundred = (t + ZERO) / 100.0
    return np.asarray(np.exp(a + b / hundred + c * np.log(hundred)), dtype=np.float64)
