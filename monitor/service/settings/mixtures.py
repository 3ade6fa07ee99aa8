"""Glycol in water as people write it: ``"propylene 30 % by volume"``."""

from __future__ import annotations

import re
from typing import Final

from monitor import units
from monitor.errors import InputError, OutOfRangeError
from monitor.physics.fluids import Glycol, glycol, mass_share
from monitor.site import Antifreeze

_MIXTURE: Final = re.compile(r"\s*([a-z]+)\s+(\S+\s*%)\s+by\s+(mass|volume)\s*")
_FORM: Final = f'write {" or ".join(Glycol)}, the share, and by what, like "propylene 30 % by volume"'


def read_mixture(text: object) -> Antifreeze:
    """Return the mixture that ``text`` names.

    Raises
    ------
    InputError
        If it is written otherwise, or no such mixture is known to the reference library.

    Examples
    --------
    >>> read_mixture("ethylene 30 % by mass")
    Antifreeze(kind='ethylene', mass_share=0.3)
    """
    match = _MIXTURE.fullmatch(text) if isinstance(text, str) else None
    if match is None or match[1] not in set(Glycol):
        raise InputError(f"{text!r}: {_FORM} (or by mass: they differ by a few per cent)")
    kind, by = Glycol(match[1]), match[3]
    try:
        share = units.parse(match[2], "share")
        by_mass = share if by == "mass" else float(mass_share(kind, share))
        glycol(kind, by_mass)
    except (InputError, OutOfRangeError) as error:
        raise InputError(f"{text!r}: {error}") from error
    if by_mass == 0.0:
        raise InputError(f"{text!r}: a share above 0 % is meant; for plain water leave it out")
    return Antifreeze(kind.value, by_mass)
