"""What the pages say is what the program does."""

import re
from pathlib import Path

import pytest

from brickbook.bench import CEILING, read_dialect
from brickbook.bench.journal import CONTROLS, EVENTS
from brickbook.bench.roles import OPERATIONS

DOCS = Path(__file__).parents[2] / "docs"


def text(name):
    return (DOCS / name).read_text()


def test_the_example_of_a_dialect_is_one():
    (example,) = (
        b
        for b in re.findall(r"```toml\n(.*?)```", text("how-to/describe-an-instrument.md"), re.DOTALL)
        if "[commands]" in b
    )
    dialect = read_dialect(
        "my-load", "my-load.toml", "\n".join(line.removeprefix("   ") for line in example.splitlines())
    )
    assert dialect.role == "dc-load"
    assert dialect.ready_ask == ""


@pytest.mark.parametrize("role", OPERATIONS)
def test_every_command_of_every_role_is_in_the_reference(role):
    section = text("reference/dialects.md").split(f"### {role}\n")[1].split("###")[0]
    for name, operation in OPERATIONS[role].items():
        (row,) = (line for line in section.splitlines() if line.startswith(f"| `{name}` |"))
        assert operation.what in row
        assert ("| yes |" in row) == operation.needed
        assert all(f"`{{{fill}}}`" in row for fill in operation.fills)


def test_every_event_and_control_is_in_the_reference():
    page = text("reference/runs.md")
    assert all(f"`{event}`" in page for event in EVENTS)
    assert all(f"`{control}`" in page for control in CONTROLS)


def test_the_ceiling_is_the_one_the_page_names():
    page = text("how-to/run-the-bench.md")
    x = CEILING
    assert f"{x.volts:g} V, {x.amps:g} A, {x.watts:g} W, {x.degrees:g} °C" in page
