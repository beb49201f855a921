"""Sample, schema, reference and examples say the same as the loader."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from dewkeeper_config import loading, models
from dewkeeper_config.door import checked
from dewkeeper_config.json_schema import schema
from dewkeeper_config.lacking import problems_for_run
from dewkeeper_config.models import Config, ConfigFile, Model
from dewkeeper_config.models.secrets import SecretSource
from dewkeeper_config.reference import examples, reference, sample

REFERENCE = Path(__file__).resolve().parents[2] / "config" / "REFERENCE.md"


def _models() -> list[type[Model]]:
    found: list[Any] = [m for m in vars(models).values() if isinstance(m, type) and issubclass(m, Model)]
    bases = {models.ChannelConfig}  # no table by itself: a kind of channel is
    return [model for model in found if model.field_names and model not in bases and not model.__name__.startswith("_")]


WITH_SECRETS: list[type[Model]] = [*_models(), SecretSource]
PRINTED, SAMPLE = reference(), sample()
FIELDS = sorted({(model.__name__, name) for model in WITH_SECRETS for name in model.field_names})


def test_the_sample_is_a_good_configuration() -> None:
    """What `config sample` prints can be used as it is."""
    assert loading.parse(sample().encode(), Path("sample")).enclosure[0].name == "B4"


def test_every_line_of_the_sample_can_be_uncommented() -> None:
    """With every commented key active the sample still parses, value by value."""
    full = re.sub(r"(?m)^#(?=[\[a-z])", "", sample())
    checked(ConfigFile, tomllib.loads(full))


@pytest.mark.parametrize("name", sorted(examples()))
def test_every_example_rack_is_good_and_complete(name: str) -> None:
    """Each example loads, and nothing in it would go unwatched or untold."""
    config = loading.parse(examples()[name].encode(), Path(name))
    assert problems_for_run(config) == []


def test_the_reference_in_the_documentation_is_current() -> None:
    """config/REFERENCE.md is what `dewkeeper config reference` prints now."""
    assert REFERENCE.read_text(encoding="utf-8") == reference(), "run: dewkeeper config reference > config/REFERENCE.md"


@pytest.mark.parametrize(("model", "name"), FIELDS)
def test_every_field_is_explained(model: str, name: str) -> None:
    """Every key has a description, and that description is in the reference and beside a key of that name."""
    owner: Any = getattr(models, model, SecretSource)
    description = next(one for one in fields(owner) if one.name == name).metadata["description"]
    assert description
    if owner in (Config, ConfigFile):  # the file itself, whose keys are headings
        assert f"[{name}]" in PRINTED
        return
    rows = [line for line in PRINTED.splitlines() if line.startswith(f"| `{name}` |")]
    assert any(description in row for row in rows)
    assert f"{name} =" in SAMPLE or f".{name}]" in SAMPLE or owner in (SecretSource, models.Multiplexer)


def test_every_row_of_the_reference_has_four_cells() -> None:
    """No description breaks the tables."""
    rows = [line for line in PRINTED.splitlines() if line.startswith("| `") and "Common practice" not in line]
    assert len(rows) > 100
    assert all(row.count("|") == 5 for row in rows)


def test_the_schema_covers_what_the_models_know() -> None:
    """The JSON schema refuses unknown keys everywhere, has no null, and takes a secret as text or as its place."""
    whole = schema()
    tables = [node for node in whole["$defs"].values() if "properties" in node]
    assert all(node["additionalProperties"] is False for node in [whole, *tables])
    assert '"null"' not in str(whole).replace("'", '"')
    assert {"type": "string", "minLength": 1} in whole["$defs"]["SecretSource"]["anyOf"]
    assert {"const": False} in whole["$defs"]["Person"]["properties"]["quiet_hours"]["anyOf"]


def test_the_schema_is_handed_out_as_a_copy() -> None:
    """Changing what was handed out changes nothing for the next caller."""
    schema()["$defs"].clear()
    assert schema()["$defs"]
