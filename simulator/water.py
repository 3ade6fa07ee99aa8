"""Density of liquid water and the heat that it takes: the simulator's own digits.

Pure functions on floats or numpy arrays; temperatures in °C because the source is written so.
"""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import NDArray

_NUMERATOR = (-280.54253e-12, 105.56302e-9, -46.170461e-6, -7.9870401e-3, 16.945176, 999.83952)
_DENOMINATOR = 16.879850e-3  # some reprints swap two digits (16.897850e-3): off by 0.6 kg/m³ at 80 °C


@overload
def density(t: float) -> float: ...
@overload
def density(t: NDArray[np.float64]) -> NDArray[np.float64]: ...
def density(t: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return the density of air-free water at 101.325 kPa. [kg/m³].

    The compressibility of the water is part of the elastic compliance of the line, not of this.

    Parameters
    ----------
    t : float or array
        Temperature. [°C], 0 to 150 (as liquid).

    References
    ----------
    .. [1] J. Res. Natl. Inst. Stand. Technol. 97 (1992) 335, Eq. 1 (after Kell, J. Chem. Eng. Data 20
       (1975) 97, Eq. 16).

    Examples
    --------
    >>> round(density(20.0), 3)
    998.204
    """
    a, b, c, d, e, f = _NUMERATOR
    return (((((a * t + b) * t + c) * t + d) * t + e) * t + f) / (1.0 + _DENOMINATOR * t)


def heat_capacity(t: float) -> float:
    """Return the heat that a cubic metre of water takes per kelvin. [J/(m³ K)].

    Straight line through rho·cp of IAPWS R6-95 at 0.6 MPa: 4.2038e6 at 5 °C, 4.1390e6 at 45 °C, 4.0687e6
    at 85 °C; within 0.15 % between.
    """
    return 4.2095e6 - 1640.0 * t
