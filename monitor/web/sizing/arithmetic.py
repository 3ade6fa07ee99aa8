"""The printed lines of arithmetic: numbers put into a formula, and what a reader's calculator makes of them."""

from __future__ import annotations

import ast
import operator
import re
from collections.abc import Callable, Mapping
from typing import Final

_SYMBOL: Final = re.compile(r"[A-Za-z_]\w*")
_WORDS: Final = ("max", "min")
_DOES: Final[Mapping[type[ast.operator], Callable[[float, float], float]]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}


def put_in(formula: str, numbers: Mapping[str, str]) -> str:
    """Return ``formula`` with a number for each symbol; a negative one stands in parentheses.

    >>> put_in("T2 - T1", {"T1": "-5", "T2": "60"})
    '60 - (-5)'
    """

    def number(match: re.Match[str]) -> str:
        symbol = match[0]
        if symbol in _WORDS:
            return symbol
        text = numbers[symbol]
        return f"({text})" if text.startswith("-") else text

    return _SYMBOL.sub(number, formula)


def worked_out(line: str) -> float:
    """Return what a line of numbers comes to; not a number where it divides by zero.

    >>> worked_out("2 * (3 - 1) / max(4, 8)")
    0.5
    """
    try:
        return _value(ast.parse(line, mode="eval").body)
    except ZeroDivisionError:
        return float("nan")


def _value(node: ast.expr) -> float:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            return -_value(inner)
        case ast.BinOp(left=left, op=op, right=right):
            return _DOES[type(op)](_value(left), _value(right))
        case ast.Call(func=ast.Name(id=name), args=args):
            return {"max": max, "min": min}[name](_value(arg) for arg in args)
    raise AssertionError(ast.dump(node))  # formulas are ours
