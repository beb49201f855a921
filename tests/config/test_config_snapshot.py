"""The checked configuration that is kept for commands that look: the same as pydantic reads, or nothing at all."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import threading
from dataclasses import fields
from datetime import time
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount

import dewkeeper_config
from dewkeeper_config.door import checked
from dewkeeper_config.last_good import load_or_last_good
from dewkeeper_config.loading import parse
from dewkeeper_config.models import AppriseChannel, Channel, Config, MailChannel, Model, Name, WebhookChannel
from dewkeeper_config.models.secrets import SecretSource, with_secrets, without_secrets
from dewkeeper_config.profiles import BUILT_IN
from dewkeeper_config.reference import examples, sample
from dewkeeper_config.snapshot import SNAPSHOT, keep, kept
from dewkeeper_config.values import Allowed, check_timezone

DATA = b"what the file says"
FILES = {"sample": sample(), **examples()}
SECRET = "T0PSECRET"  # noqa: S105
SOURCES = st.sampled_from(
    [SECRET, {"value": SECRET}, {"file": "/etc/secret"}, {"env": "SECRET"}, {"credential": "phone"}]
)


def _number(kind: type, says: dict[str, Any]) -> st.SearchStrategy[Any]:
    low, high = says.get("ge", says.get("gt", -1000)), says.get("le", 100_000)
    if kind is int:
        return st.integers(low, high)
    return st.floats(low, high, exclude_min="gt" in says, allow_nan=False) | st.integers(int(low) + 1, int(high))


def _texts(says: dict[str, Any]) -> st.SearchStrategy[str]:
    # Letters of every script, what JSON escapes, what it need not; no lone surrogate, which no file can say.
    letters = st.characters(codec="utf-8")
    return st.text(letters, min_size=says.get("min_length", 0), max_size=min(says.get("max_length", 20), 20))


def _plain_values(kind: Any, says: dict[str, Any]) -> st.SearchStrategy[Any]:
    if kind in (int, float):
        return _number(kind, says)
    simple: dict[Any, st.SearchStrategy[Any]] = {
        bool: st.booleans(),
        str: _texts(says),
        time: st.times().map(lambda moment: moment.replace(fold=0)),  # which no file can say
        Path: st.sampled_from(["/srv/dewkeeper", "/mnt/stick/a b"]),
        SecretSource: SOURCES,
    }
    return simple[kind] if kind in simple else tables(kind)


def _values(kind: Any, says: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Return what a file may say where a field has this type: drawn from the models themselves, so that no field is left out."""
    origin, inner = get_origin(kind), get_args(kind)
    if kind == Channel:
        return tables(WebhookChannel) | tables(MailChannel) | tables(AppriseChannel)
    if kind == Name:
        return st.from_regex(r"[A-Za-z0-9ö][A-Za-z0-9 ]{0,10}[A-Za-z0-9ü]", fullmatch=True)
    if origin is Annotated:
        if any(getattr(said, "_check", None) is check_timezone for said in inner[1:]):
            return st.sampled_from(["UTC", "Europe/Vienna"])
        more = [said._says for said in inner[1:] if isinstance(said, Allowed)]
        return _values(inner[0], {**says, **(more[0] if more else {})})
    if origin in (Union, UnionType):  # a file says "none" by saying nothing
        return st.one_of([_values(one, says) for one in inner if one is not NoneType])
    if origin is Literal:
        return st.sampled_from(inner)
    if origin is list:
        return st.lists(
            _values(inner[0], {}), min_size=says.get("min_length", 0), max_size=min(says.get("max_length", 3), 3)
        )
    if origin is dict:
        return st.dictionaries(_texts({}), _values(inner[1], {}), max_size=2)
    return _plain_values(kind, says)


@st.composite
def tables(draw: st.DrawFn, model: type[Model]) -> dict[str, Any]:
    """Return a table of a file as a model allows it."""
    hints = get_type_hints(model, include_extras=True)
    needed = model._needed
    said = {}
    for one in fields(model):  # type: ignore[arg-type]
        if one.name in needed or draw(st.booleans()):
            said[one.name] = draw(_values(hints[one.name], dict(one.metadata)))
    return said


def givens(value: Any) -> Any:
    """Return which keys were given, in every table below a value."""
    if isinstance(value, Model):
        return value.given, [givens(part) for _, part in value]
    return [givens(part) for part in value] if isinstance(value, list) else None


def assert_kept(config: Config, data: bytes, folder: Path) -> None:
    """Hold what is kept of a configuration to it: every value, its type, and what was given."""
    keep(config, data, folder)
    found, shown = kept(data, folder), without_secrets(config)
    assert found == shown
    assert repr(found) == repr(shown)
    assert givens(found) == givens(shown)


@given(raw=tables(Config))
@settings(max_examples=amount(30, 2000))
def test_whatever_is_configured_is_kept_as_pydantic_reads_it(raw: dict[str, Any]) -> None:
    """Every value of every table, drawn from the models: the same values, types and keys that were given."""
    with tempfile.TemporaryDirectory() as folder:
        config = checked(Config, raw)
        assert_kept(config, DATA, Path(folder))
        again = with_secrets(without_secrets(config), raw)
        assert again == config
        assert givens(again) == givens(config)


@pytest.mark.parametrize("name", sorted(FILES))
def test_examples_and_sample_are_kept_whole(name: str, tmp_path: Path) -> None:
    """What is shipped is kept, and holds for its own bytes only: with any byte more, less or other it is not that file."""
    data = FILES[name].encode()
    assert_kept(parse(data, Path(name)), data, tmp_path)
    for other in (data + b"\n", data[:-1], data.replace(b"rack", b"rock", 1)):
        assert kept(other, tmp_path) is None


def test_a_zone_that_the_machine_lost_is_looked_for_again(tmp_path: Path) -> None:
    """All else in the file is its own; its zone is the machine's, and without it the file is refused as ever."""
    script = (
        "import sys, zoneinfo; from pathlib import Path; from dewkeeper_config.snapshot import kept; "
        "zoneinfo.reset_tzpath([str(Path(sys.argv[1]) / 'none')]); sys.modules['tzdata'] = None; "
        "print(kept(sys.argv[2].encode(), Path(sys.argv[1])) is not None)"
    )
    for zone, found in (("Europe/Vienna", "False"), ("UTC", "False")):
        data = sample().replace("Europe/Vienna", zone).encode()
        keep(parse(data, Path("sample")), data, tmp_path)
        assert kept(data, tmp_path) is not None
        asked = [sys.executable, "-c", script, str(tmp_path), data.decode()]
        assert subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip() == found


def test_built_in_profiles_are_what_pydantic_reads() -> None:
    """They are read without it: the same profiles as by it, before the adult's limits are laid under."""
    import tomllib

    from dewkeeper_config.models import Profile
    from dewkeeper_config.profiles import overlay

    text = Path(dewkeeper_config.__file__).with_name("profiles.toml").read_text(encoding="utf-8")
    for entry in tomllib.loads(text)["profile"]:
        profile = checked(Profile, entry)
        whole = profile.but(limits=overlay(BUILT_IN["adult"].limits, profile.limits))
        assert repr(BUILT_IN[profile.name]) == repr(whole)


@pytest.fixture
def kept_rack(rack: Any, loaded: Any, tmp_path: Path) -> Path:
    """Return the folder in which a rack is kept."""
    keep(loaded(rack), DATA, tmp_path)
    assert kept(DATA, tmp_path) == without_secrets(loaded(rack))
    return tmp_path


def test_no_secret_is_kept(rack: Any, loaded: Any, tmp_path: Path) -> None:
    """Secrets that stand in the file are not in it, wherever the file has one; where others come from is."""
    rack["channel"] = [
        {"kind": "webhook", "name": "a", "url": f"https://x/{SECRET}", "secrets": [f"whsec_{SECRET}"], "headers": {"x": SECRET}},
        {"kind": "mail", "name": "b", "host": "localhost", "sender": "a@b.c", "to": ["a@b.c"], "username": SECRET, "password": {"value": SECRET}},
        {"kind": "apprise", "name": "c", "url": {"credential": "other_url"}},
    ]  # fmt: skip
    rack["notify"] = {"heartbeat_url": f"https://x/{SECRET}"}
    rack["collect"] = {"site": "s", "address": f"password={SECRET}"}
    rack["collector"] = {"address": {"value": SECRET}}
    rack["neighbour"] = {"name": "n", "address": "http://n", "key": f"whsec_{SECRET}"}
    config = checked(Config, rack)
    assert SECRET in str([config.notify.heartbeat_url.read() if config.notify.heartbeat_url else ""])
    assert_kept(config, DATA, tmp_path)
    text = (tmp_path / SNAPSHOT).read_text(encoding="utf-8")
    assert SECRET not in text
    assert "other_url" in text


@pytest.mark.parametrize("mode", [0o660, 0o642, 0o644, 0o666, 0o604])
def test_a_file_that_others_may_write_or_all_may_read_is_not_believed(kept_rack: Path, mode: int) -> None:
    """It is made anew, for its owner and group to read."""
    config = kept(DATA, kept_rack)
    assert config is not None
    (kept_rack / SNAPSHOT).chmod(mode)
    assert kept(DATA, kept_rack) is None
    keep(config, DATA, kept_rack)
    assert kept(DATA, kept_rack) == config
    assert (kept_rack / SNAPSHOT).stat().st_mode & 0o777 == 0o640


def test_what_is_no_plain_file_is_not_believed(kept_rack: Path) -> None:
    """A link, a pipe, a folder, nothing: no configuration, and nobody waits."""
    file, elsewhere = kept_rack / SNAPSHOT, kept_rack / "elsewhere"
    file.rename(elsewhere)
    assert kept(DATA, kept_rack) is None
    file.symlink_to(elsewhere)
    assert kept(DATA, kept_rack) is None
    file.unlink()
    os.mkfifo(file, 0o600)
    assert kept(DATA, kept_rack) is None
    file.unlink()
    file.mkdir()
    assert kept(DATA, kept_rack) is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_another_users_file_is_not_believed_and_another_users_folder_not_written(kept_rack: Path) -> None:
    """Who owns the folder owns the database: of nobody else a configuration is taken, and to nobody's folder is one added."""
    config = kept(DATA, kept_rack)
    assert config is not None
    os.chown(kept_rack / SNAPSHOT, 65534, -1)
    assert kept(DATA, kept_rack) is None
    os.chown(kept_rack, 65534, -1)
    assert kept(DATA, kept_rack) == config  # root looks at what the service has kept
    (kept_rack / SNAPSHOT).unlink()
    keep(config, DATA, kept_rack)
    assert list(kept_rack.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_no_trouble(rack: Any, loaded: Any, tmp_path: Path) -> None:
    """Missing, or in truth a file: nothing is kept, nothing is raised."""
    (tmp_path / "file").touch()
    for folder in (tmp_path / "missing", tmp_path / "file", tmp_path / "file" / "below"):
        keep(loaded(rack), DATA, folder)
        assert kept(DATA, folder) is None
    assert [one.name for one in tmp_path.iterdir()] == ["file"]


def test_a_damaged_file_is_not_believed(kept_rack: Path) -> None:
    """Cut off anywhere, any byte another: nothing rather than another configuration."""
    file = kept_rack / SNAPSHOT
    whole = file.read_bytes()
    for at in range(0, len(whole), amount(17, 1)):
        for damaged in (whole[:at], whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :]):
            file.write_bytes(damaged)
            assert kept(DATA, kept_rack) is None
    file.write_bytes(whole)
    assert kept(DATA, kept_rack) is not None


_KEPT_BY_ANOTHER = """
import sys
from pathlib import Path
from dewkeeper_config.snapshot import kept
print(kept(sys.argv[1].encode(), Path(sys.argv[2])) is not None, "pydantic" in sys.modules)
"""


def test_another_edition_of_the_program_does_not_believe_it(kept_rack: Path, tmp_path_factory: Any) -> None:
    """With one line more in a model the file is read anew; the same sources in another folder are the same program."""
    there = tmp_path_factory.mktemp("there") / "dewkeeper_config"
    shutil.copytree(Path(dewkeeper_config.__file__).parent, there, ignore=shutil.ignore_patterns("__pycache__"))

    def asked() -> str:
        done = subprocess.run(
            [sys.executable, "-c", _KEPT_BY_ANOTHER, DATA.decode(), str(kept_rack)],
            env={**os.environ, "PYTHONPATH": str(there.parent)}, capture_output=True, text=True, check=True,
        )  # fmt: skip
        return done.stdout.strip()

    assert asked() == "True False"
    with (there / "models" / "limits.py").open("a") as file:
        file.write("# another edition\n")
    assert asked() == "False False"


def test_a_channel_of_somebody_elses_is_not_kept(rack: Any, tmp_path: Path) -> None:
    """Its table is its package's own, which must be there to read it; so is one whose package is gone."""
    rack["channel"].append({"kind": "carrier pigeon", "name": "loft"})
    config = checked(Config, rack, {"absent channels allowed": True})
    keep(config, DATA, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_many_at_once_leave_one_whole_file(rack: Any, loaded: Any, tmp_path: Path) -> None:
    """Two files' configurations are kept by turns by many threads while others read: each gets its own, or none, and no rest is left."""
    first, second = loaded(rack), loaded(rack | {"site": {"name": "Another"}})
    of = {b"first": without_secrets(first), b"second": without_secrets(second)}
    wrong: list[object] = []

    def work(data: bytes) -> None:
        for _ in range(amount(10, 200)):
            keep(of[data], data, tmp_path)
            if (found := kept(data, tmp_path)) not in (None, of[data]):
                wrong.append(found)

    threads = [threading.Thread(target=work, args=(data,)) for data in [*of, *of]]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert [file.name for file in tmp_path.iterdir()] == [SNAPSHOT]
    assert [kept(data, tmp_path) for data in of].count(None) == 1


def test_the_daemons_good_file_is_kept_for_commands(rack_text: str, tmp_path: Path) -> None:
    """At its start, and when it reads the file again; once kept it is not written again."""
    file = tmp_path / "rack.toml"
    file.write_text(rack_text)
    config, _ = load_or_last_good(file, tmp_path)
    assert kept(file.read_bytes(), tmp_path) == without_secrets(config)
    before = (tmp_path / SNAPSHOT).stat().st_ino
    load_or_last_good(file, tmp_path)
    assert (tmp_path / SNAPSHOT).stat().st_ino == before
