"""Whatever a settings file holds: it is read, or every problem is told; nothing else happens."""

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.service.settings import ProblemsError, check_config, load_site
from monitor.service.settings.toml import locate
from monitor.site import Site

NAMES = [
    "id", "name", "altitude", "timezone", "unit", "heater", "kind", "volume", "input", "efficiency", "setpoint", "tank",
    "precharge", "supply", "pressure", "limit", "relief", "setting", "data", "sites", "broker", "host", "port", "tls",
    "ca", "topics", "topic", "point", "scale", "low", "high", "on", "alerts", "channels", "url", "web", "x y", "", "é.",
]  # fmt: skip
words = st.sampled_from(
    ["a", "60 psi", "8 L", "sites", ".", "{site}/{point}", "pressure", "4-20 mA", "json://x", "\0", "\n"]
)
scalars = st.one_of(
    words,
    st.text(max_size=8),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.just(datetime(2026, 1, 31, tzinfo=UTC)),
)
trees = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(NAMES), inner, max_size=4)
    ),
    max_leaves=12,
)


def quoted(text: str) -> str:
    inner = "".join(f"\\U{ord(c):08x}" if ord(c) < 32 or c in '"\\\x7f' else c for c in text)
    return f'"{inner}"'


def inline(value) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return quoted(value)
        case datetime():
            return value.isoformat()
        case list():
            return f"[\n{','.join(map(inline, value))} # ]\n]"
        case dict():
            return "{" + ", ".join(f"{quoted(key)} = {inline(item)}" for key, item in value.items()) + "}"
        case _:
            return repr(value)


def document(table, prefix=()) -> str:
    """Write a table with headers for its tables and arrays of tables, as people do."""
    plain, nested = [], []
    for key, value in table.items():
        path = (*prefix, key)
        name = ".".join(map(quoted, path))
        if isinstance(value, dict):
            nested.append(f"[{name}] # [x]\n{document(value, path)}")
        elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            nested += [f"[[{name}]]\n{document(item, path)}" for item in value]
        else:
            plain.append(f"{quoted(key)} = {inline(value)}\n")
    return "".join([*plain, *nested])


tables = st.dictionaries(st.sampled_from(NAMES), trees, min_size=1, max_size=6)
no_surrogates = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture
def file(tmp_path):
    (tmp_path / "sites").mkdir(exist_ok=True)
    (tmp_path / "sites" / "a.toml").write_text('id = "a"\n')
    return tmp_path / "any.toml"


def check(file: Path, content: bytes) -> None:
    file.write_bytes(content)
    try:
        assert isinstance(load_site(file), Site)
    except ProblemsError as exc:
        for problem in exc.problems:
            assert problem.allowed
            assert problem.line is None or 1 <= problem.line <= content.count(b"\n") + 1
            str(problem).encode()
    for problem in check_config(file):
        assert problem.allowed
        str(problem).encode()


@no_surrogates
@given(content=st.binary())
@example(content=b"\xff")
@example(content=b'id = """')
@example(content=b"id = 1\x00")
def test_any_bytes(file, content):
    check(file, content)


@no_surrogates
@given(table=tables)
def test_any_toml(file, table):
    check(file, document(table).encode())


def paths(table, prefix=()):
    for key, value in table.items():
        yield (*prefix, key)
        if isinstance(value, dict):
            yield from paths(value, (*prefix, key))
        elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            for index, item in enumerate(value):
                yield from paths(item, (*prefix, key, index))


@given(table=tables)
def test_every_key_is_found_on_the_line_where_it_stands(table):
    text = document(table)
    assert tomllib.loads(text).keys() == table.keys()
    lines = locate(text)
    rows = text.split("\n")
    for path in paths(table):
        assert quoted(path[-1]) in rows[lines[path] - 1]
