"""Laws of ``cushionwatch size`` over any options: an answer or one message, and the same numbers in every form."""

from __future__ import annotations

import ast
import contextlib
import html
import io
import json
import operator
import re
import tempfile
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from monitor.cli.main import main
from monitor.units import KINDS, from_si, parse, to_si

GOOD = {
    "--use": ["domestic", "heating", "Heating"],
    "--volume": ["1 L", "40 gal", "150 L", "2.5 m3"],
    "--material": ["steel", "copper", "stainless-steel", "PEX", "unknown"],
    "--piping": ["0.1 L", "5 gal", "300 L"],
    "--piping-material": ["copper", "pex", "unknown"],
    "--hot": ["140 degF", "60 °C", "95 degC", "100 degC"],
    "--cold": ["0 degC", "50 degF", "4 degC", "59.999 degC", "-5 degC"],
    "--glycol": ["propylene 30 % by volume", "ethylene 20% by mass"],
    "--altitude": ["0 m", "400 ft", "5000 m", "-430 m"],
    "--supply": ["0 bar", "1.2 bar", "50 psi", "80 psi", "550 kPa", "90 psi", "250 mbar"],
    "--height": ["0 m", "9 m", "30 ft", "150 m"],
    "--relief": ["3 bar", "30 psi", "150 psi", "1 MPa", "200 psi", "0.5 bar"],
    "--highest": ["0.1 bar", "2.5 bar", "80 psi", "1000 kPa"],
    "--limit": ["5 bar", "80 psi"],
    "--precharge": ["0 bar", "1 bar", "50 psi", "120 psi"],
    "--charge-below": ["0 psi", "0.2 bar", "3 psi"],
    "--tank": ["0.1 L", "8 L", "4.4 gal", "50 m3"],
    "--fit": ["0.1 L", "8 l", "20 gal", "50 m3"],
    "--tank-precharge": ["0 psi", "40 psi", "2 bar"],
    "--tank-kind": ["diaphragm", "plain"],
    "--empty-weight": ["0 kg", "5 lb", "12.5 kg"],
    "--method": ["ashrae", "en12828", "potable"],
    "--code": ["us", "europe"],
    "--unit": ["psi", "bar", "kPa", "MPa"],
}
BAD = st.sampled_from(
    ["", "50", "psi", "-3 bar", "1e9 bar", "1e400 L", "nan psi", "300 degC", "glass", "5 %", "30 furlong"]
)
SETS = st.fixed_dictionaries({}, optional={name: st.sampled_from(texts) for name, texts in GOOD.items()})


def likely(must: dict[str, list[str]], may: dict[str, list[str]]) -> st.SearchStrategy[dict[str, str]]:
    """Return sets of options that can be sized, most of them: few of the wholly random ones can."""
    each = {name: st.sampled_from(texts) for name, texts in (COMMON | may).items()}
    return st.fixed_dictionaries(
        {name: st.sampled_from(texts) for name, texts in must.items()}, optional=each
    )


COMMON = {
    **{
        name: GOOD[name]
        for name in ("--material", "--piping", "--fit", "--tank", "--tank-precharge", "--empty-weight")
    },
    "--cold": ["0 degC", "50 degF", "4 degC", "15 degC"],
    "--code": GOOD["--code"],
    "--altitude": ["0 m", "400 ft", "2500 m"],
}
HOME = likely(
    {
        "--use": ["domestic"],
        "--volume": GOOD["--volume"],
        "--hot": ["140 degF", "60 °C", "98 degC"],
        "--supply": ["1.2 bar", "50 psi", "79 psi", "550 kPa"],
        "--relief": ["7 bar", "150 psi", "1 MPa", "200 psi"],
    },
    {"--charge-below": ["0.2 bar", "3 psi"], "--precharge": ["1 bar", "50 psi"], "--highest": ["95 psi"]},
)
HEATING = likely(
    {
        "--use": ["heating"],
        "--volume": GOOD["--volume"],
        "--hot": ["140 degF", "80 °C"],
        "--height": ["0 m", "9 m", "30 ft"],
        "--relief": ["3 bar", "50 psi", "1 MPa"],
    },
    {
        **{name: GOOD[name] for name in ("--tank-kind", "--glycol")},
        "--supply": ["1.5 bar", "18 psi"],
        "--method": ["ashrae", "en12828"],
    },
).filter(lambda one: one.get("--tank-kind") != "plain" or one.get("--method") != "en12828")
LIKELY = (HOME | HEATING).map(
    # A charge without its tank is refused.
    lambda one: {name: text for name, text in one.items() if name != "--tank-precharge" or "--tank" in one}
)


class Outcome(NamedTuple):
    code: object
    out: str
    err: str


def run(options: dict[str, str], *flags: str) -> Outcome:
    words = [word for pair in options.items() for word in pair]
    out, err = io.StringIO(), io.StringIO()
    with (
        patch("sys.argv", ["cushionwatch", "size", *words, *flags]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            return Outcome(end.code or 0, out.getvalue(), err.getvalue())
    return Outcome(0, out.getvalue(), err.getvalue())


def sized(options: dict[str, str]) -> dict[str, Any]:
    code, out, _ = run(options, "--json")
    assume(code == 0)
    found: dict[str, Any] = json.loads(out)
    return found


@given(SETS, st.dictionaries(st.sampled_from(list(GOOD)), BAD, max_size=2))
@settings(max_examples=80)
def test_any_options_give_an_answer_or_one_message(options: dict[str, str], bad: dict[str, str]) -> None:
    code, out, err = run({**options, **bad})
    assert code in {0, 2}
    if code == 0:
        assert out.startswith("Expansion tank for ")
        assert err == ""
    else:
        assert out == ""
        assert err.startswith("cushionwatch: ")
        assert err.count("\n") == 1
        assert re.search(r"--[a-z]", err)


@given(LIKELY)
@settings(max_examples=80)
def test_likely_options_give_an_answer_or_a_message_that_names_an_option(options: dict[str, str]) -> None:
    code, _, err = run(options, "--explain")
    assert code in {0, 2}
    event(f"exit code {code}")
    assert code == 0 or re.search(r"--[a-z]", err)


def shown(kpa: float, unit: str) -> str:
    decimals = {"psi": 1, "bar": 2, "kPa": 0, "MPa": 3}[unit]
    return f"{from_si(kpa * 1e3, unit):.{decimals}f} {unit}"


def peak(kpa: float | None, unit: str) -> str:
    """Return a peak as people are told it: no relief valve is set above 25 bar."""
    return "more than any system holds" if kpa is None or kpa > 2500 else shown(kpa, unit)


def loads(flat: str, unit: str) -> list[float]:
    """Return what the bracket carries by the text, hot and waterlogged. [kg]."""
    match = re.search(r"carries ([\d.]+) (\w+) hot and ([\d.]+) (\w+) waterlogged", flat)
    assert match
    assert {match[2], match[4]} == {"lb" if unit == "psi" else "kg"}
    return [to_si(float(match[number]), match[2], "mass") for number in (1, 3)]


@given(LIKELY, st.sampled_from(["psi", "bar", "kPa", "MPa"]))
@settings(max_examples=40)
def test_text_page_and_json_tell_the_same(options: dict[str, str], unit: str) -> None:
    asked = {**options, "--unit": unit}
    found = sized(asked)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "out.html"
        code, out, err = run(asked, "--explain", "--html", str(path))
        assert (code, err) == (0, f"written: {path}\n")
        page = html.unescape(re.sub(r"<[^>]+>", " ", path.read_text().partition("<body>")[2]))
    flat, page = (" ".join(one.split()) for one in (out, page))
    told = [f"Worst peak {peak(found['advised']['peak_kpa'], unit)} in a", shown(found["supply_kpa"], unit)]
    if found["present"]:
        told.append(f"Its peak {peak(found['present']['peak_kpa'], unit)} in a full recovery")
        verdict = "Verdict enough" if found["present"]["enough"] else "Verdict large enough"
        told.append(verdict if found["present"]["large_enough"] else "Verdict too small")
    if found["question"]["tank_kind"] == "diaphragm":
        told.append(shown(found["advised"]["precharge_kpa"], unit))
    if found["fill"]:
        told += [shown(found["fill"][name], unit) for name in ("low_kpa", "high_kpa", "advised_kpa")]
    told += [one["text"] for one in found["cautions"]] + found["assumed"] + found["safety"]
    for text in told:
        assert text in flat
        assert text in page
    weight = found["weight"]
    for load, name in zip(loads(flat, unit), ("filled_kg", "waterlogged_kg"), strict=True):
        # Rounded up in the third digit, and the JSON has grams.
        assert weight[name] - 1e-3 <= load <= weight[name] * 1.011 + 1e-3
    floor = re.search(r"and under (\S+ \w+) the relief setting", flat)
    assert floor is None or floor[1] == shown(found["advised"]["charge_floors"]["relief_kpa"], unit)
    volumes = ("gal", "volume") if unit == "psi" else ("L", "volume")
    match = re.search(rf"at least ([\d.]+) {volumes[0]}", flat)
    assert match
    exact = from_si(found["exact_l"] * 1e-3, *volumes)
    # Rounded up in the third digit, and six decimals of a litre are in the JSON.
    assert exact - 1e-6 <= float(match[1]) <= exact * 1.011 + 1e-6
    assert f"at least {match[1]} {volumes[0]}" in page


def in_other_units(text: str) -> str:
    """Return a quantity as someone with the other units would write it; what is no quantity stays."""
    pairs = {
        "pressure": ("psi", "kPa"),
        "volume": ("gal", "L"),
        "temperature": ("degF", "degC"),
        "length": ("ft", "m"),
    }
    for kind, units in KINDS.items():
        name = text.lstrip("-0123456789. ")
        if name != text and kind in {*pairs, "mass"} and name in units:
            us, si = pairs.get(kind, ("lb", "kg"))
            unit = si if name == us else us
            return f"{from_si(parse(text, kind), unit, kind)!r} {unit}"
    return text


DOES = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv}


def value(node: ast.AST) -> float:
    """Work out numbers with + - * / max() min() and parentheses; nothing else may be printed."""
    match node:
        case ast.Expression(body=body):
            return value(body)
        case ast.Constant(value=int() | float() as number):
            return number
        case ast.UnaryOp(op=ast.USub(), operand=one):
            return -value(one)
        case ast.BinOp(left=left, op=op, right=right):
            return DOES[type(op)](value(left), value(right))
        case ast.Call(func=ast.Name(id="max"), args=args):
            return max(value(one) for one in args)
        case ast.Call(func=ast.Name(id="min"), args=args):
            return min(value(one) for one in args)
    raise AssertionError(ast.dump(node))


@given(LIKELY, st.sampled_from(["psi", "bar", "kPa", "MPa"]))
@settings(max_examples=40)
def test_every_printed_line_of_arithmetic_comes_out(options: dict[str, str], unit: str) -> None:
    """Within half a unit of the third digit, in every unit system; and the result is that of the JSON."""
    asked = {**options, "--unit": unit}
    steps = sized(asked)["steps"]
    out = run(asked, "--explain").out.partition("Calculation")[2]
    printed = re.findall(r"^  (\w+) = (.+)\n(?:      = (.+) = (\S+))?", out, re.MULTILINE)
    assert [symbol for symbol, *_ in printed] == [step["symbol"] for step in steps]
    worked = 0
    for (symbol, formula, numbers, result), step in zip(printed, steps, strict=True):
        if step["formula"] is None:
            assert numbers == ""
            continue
        worked += 1
        assert formula == step["formula"]
        found, told = value(ast.parse(numbers, mode="eval")), float(result)
        # Where 0 is printed, an air charge in bar has three decimals.
        if unit == "kPa":
            assert abs(told - step["value"]) <= 0.051 + 5e-4 * abs(step["value"])
        assert abs(found - told) <= (5e-4 * abs(told) or 1e-3), (
            f"{symbol}: {numbers} is {found}, not {result}"
        )
    assert worked >= 4


@given(LIKELY)
@settings(max_examples=40)
def test_both_unit_systems_come_to_the_same(options: dict[str, str]) -> None:
    """1e-6 of the value: the JSON has six decimals of kPa and litres, and kg to the gram."""
    fixed = {"--unit": "psi", "--code": options.get("--code", "us")}
    one = sized({**options, **fixed})
    code, out, err = run(
        {name: in_other_units(text) for name, text in {**options, **fixed, "--unit": "bar"}.items()}, "--json"
    )
    assert code == 0, err
    other = json.loads(out)
    same = numbers(one), numbers(other)
    assert [name for name, _ in same[0]] == [name for name, _ in same[1]]
    for (name, value), (_, twin) in zip(*same, strict=True):
        assert abs(value - twin) <= 1e-6 * abs(value) + 2e-3 * ("kg" in name) + 2e-6, name


def numbers(value: Any, name: str = "") -> list[tuple[str, float]]:
    """Return all numbers of an answer with the keys that lead to them; sentences and steps left out."""
    if isinstance(value, dict):
        return [
            pair for key, one in value.items() if key != "steps" for pair in numbers(one, f"{name}.{key}")
        ]
    if isinstance(value, list):
        return [pair for number, one in enumerate(value) for pair in numbers(one, f"{name}.{number}")]
    return [(name, float(value))] if isinstance(value, int | float) else []
