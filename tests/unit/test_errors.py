"""The tree of errors: what can be caught as what, and that the drawing of it is true."""

from __future__ import annotations

import inspect
import re

import pytest

from monitor import errors


def tree() -> dict[str, type[Exception]]:
    return {name: kind for name, kind in vars(errors).items() if inspect.isclass(kind)}


def test_every_error_has_one_root_and_a_description() -> None:
    for kind in tree().values():
        assert issubclass(kind, errors.CushionwatchError)
        assert kind.__doc__


def test_the_drawing_shows_every_error_under_its_parent() -> None:
    """Four columns of the drawing are one step down the tree."""
    path: list[str] = []
    drawn = {}
    for line in inspect.cleandoc(errors.__doc__ or "").splitlines():
        match = re.match(r"([ │├└─]*)(\w+)  ", line)
        if match:
            depth = len(match[1]) // 4
            path[depth:] = [match[2]]
            drawn[match[2]] = path[depth - 1] if depth else "Exception"
    assert drawn == {name: kind.__bases__[0].__name__ for name, kind in tree().items()}


@pytest.mark.parametrize("kind", [errors.SettingsError, errors.ReadingsFileError, errors.PayloadError])
def test_all_bad_input_is_caught_as_input_error(kind: type[Exception]) -> None:
    with pytest.raises(errors.InputError, match="pressure 'abc' is no number"):
        raise kind("pressure 'abc' is no number")


def test_out_of_range_is_a_value_error_for_callers_of_the_physics() -> None:
    assert issubclass(errors.OutOfRangeError, ValueError)
    assert not issubclass(errors.OutOfRangeError, errors.InputError)
