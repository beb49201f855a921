"""A package of somebody else's brings a driver and a channel: installed by pip, found by its entry points, nothing of ours touched."""

from __future__ import annotations

import importlib
import importlib.util
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from socketserver import StreamRequestHandler, ThreadingTCPServer
from threading import Event, Lock, Thread
from typing import Any

import pytest
from tests.daemon.conftest import Phone, Racks

from dewkeeper.notify.channels import Unusable, open_channel
from dewkeeper.notify.contract_suite import Manner, check_channel
from dewkeeper.store import History
from dewkeeper.store.export import export
from dewkeeper_config import ConfigInvalid
from dewkeeper_config.last_good import load_or_last_good
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config, ProbeConfig
from dewkeeper_config.reference import reference, sample
from dewkeeper_drivers.contract import scale_of
from dewkeeper_drivers.contract_suite import check_probe
from dewkeeper_drivers.options import wrong_options
from dewkeeper_drivers.registry import open_probe

ROOT = Path(__file__).resolve().parents[2]
STATION = scale_of("station -40.0 165.0 -10.0 120.0")
ANSWERS = {"accept": b"taken\n", "fail": b"later the display is busy\n", "refuse": b"never unknown token\n"}

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("hatchling") is None and not os.environ.get("CI"),
    reason="nothing here builds the outsider's package: pip install hatchling",
)


class HallBell(ThreadingTCPServer):
    """The bell itself: listens on loopback and behaves as it is told."""

    daemon_threads = False
    hidden = ("sesame",)

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Caller)
        self.port = int(self.server_address[1])
        self.manner: Manner = "accept"
        self.ended = Event()
        self._shown: list[str] = []
        self._lock = Lock()
        self._thread = Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02}, name="bell")
        self._thread.start()

    def behave(self, manner: Manner) -> None:
        self.manner = manner
        if manner == "gone":
            self.end()

    def taken(self) -> Sequence[str]:
        with self._lock:
            return list(self._shown)

    def show(self, lines: Sequence[str]) -> None:
        with self._lock:
            self._shown.append("\n".join(lines))

    def end(self) -> None:
        self.ended.set()
        self.shutdown()
        self._thread.join()
        self.server_close()


class _Caller(StreamRequestHandler):
    server: HallBell

    def handle(self) -> None:
        request = json.loads(self.rfile.readline())
        assert request["token"] in self.server.hidden
        if self.server.manner == "hang":
            self.rfile.read()  # until the other side gives up
            return
        if self.server.manner == "accept" and "show" in request:
            self.server.show(request["show"])
        self.wfile.write(ANSWERS[self.server.manner])


@pytest.fixture
def bell() -> Iterator[HallBell]:
    """A bell that listens."""
    made = HallBell()
    yield made
    made.end()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder into which pip installed the package, without a network."""
    folder = tmp_path_factory.mktemp("site")
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index", "--no-deps",
         "--no-build-isolation", "--target", folder, Path(__file__).parent],
        check=True,
    )  # fmt: skip
    return folder


@pytest.fixture
def remove(site: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Have the package installed; what is returned takes it away again."""
    monkeypatch.syspath_prepend(str(site))

    def take_away() -> None:
        sys.path.remove(str(site))
        importlib.invalidate_caches()

    return take_away


def hall(port: int, **more: object) -> dict[str, object]:
    """Return the bell's table."""
    return {"kind": "bell", "name": "hall", "host": "127.0.0.1", "port": port, "token": "sesame", **more}


def rack(racks: Racks, file: Path, table: dict[str, object], **air: Any) -> str:
    """Return a configuration whose second probe is the station and whose first channel is the bell."""
    inline = ", ".join(f"{key} = {json.dumps(value)}" for key, value in table.items())
    text = racks.text(**air).replace("channel = [{", f"channel = [{{ {inline} }}, {{")
    text = text.replace('channels = ["phone"]', 'channels = ["hall", "phone"]')
    head, _, _ = text.rpartition('driver = "simulated"')
    return f'{head}driver = "station"\noptions = {{ file = "{file}" }}\n'


def config_of(racks: Racks, file: Path, table: dict[str, object]) -> Config:
    """Return the same, read."""
    return parse(rack(racks, file, table).encode(), racks.folder / "rack.toml")


@pytest.mark.usefixtures("remove")
def test_its_driver_keeps_the_contract(tmp_path: Path) -> None:
    """The driver is found by its name and passes the drivers' suite, absence and a scale of its own included."""
    file, away = tmp_path / "words", tmp_path / "away"
    file.write_text("26000 39000")
    config = ProbeConfig(name="t2", enclosure="T2", driver="station", options={"file": str(file)})
    check_probe(lambda: open_probe(config, None), unplug=lambda: file.rename(away), replug=lambda: away.rename(file))


@pytest.mark.usefixtures("remove")
def test_its_driver_says_which_options_it_has() -> None:
    """An option that the outsider's model does not know, or of another kind, is named with what is allowed."""
    config = ProbeConfig(name="t2", enclosure="T2", driver="station", options={"file": 3, "fil": "words"})
    assert wrong_options(config) == [
        ("file", "3", "text"),
        ("fil", "an unknown key", "one of the known keys: file"),
    ]


@pytest.mark.usefixtures("remove")
def test_its_channel_keeps_the_contract(racks: Racks, bell: HallBell) -> None:
    """The channel is found by its kind and passes the channels' suite against a real server."""
    config = config_of(racks, racks.folder / "words", hall(bell.port)).channel[0]
    check_channel(lambda: open_channel(config, time.time), bell)


@pytest.mark.usefixtures("remove")
def test_what_is_wrong_with_its_table_is_said_like_anything_else(racks: Racks) -> None:
    """Every slip in the outsider's table is told at once: file, key, what was given, what is allowed; a secret is not shown."""
    with pytest.raises(ConfigInvalid) as caught:
        config_of(racks, racks.folder / "words", hall(99_999, sound="gong", volum=3, token=7))
    told = {problem.key: (problem.given, problem.allowed) for problem in caught.value.problems}
    assert told == {
        'channel[1] "hall" .port': ("99999", "a whole number, 1 to 65535"),
        'channel[1] "hall" .sound': ('"gong"', 'one of "chime", "horn"'),
        'channel[1] "hall" .volum': (
            "an unknown key", "known keys: kind, name, timeout_seconds, host, port, token, sound"
        ),
        'channel[1] "hall" .token': (
            "a secret, not shown", "text, or one of {file = ...}, {env = ...}, {credential = ...}"
        ),
    }  # fmt: skip
    assert str(caught.value).startswith(str(racks.folder / "rack.toml"))
    with pytest.raises(ConfigInvalid, match='"apprise", "bell"'):
        config_of(racks, racks.folder / "words", hall(7007, kind="bel"))


@pytest.mark.usefixtures("remove")
def test_what_is_printed_knows_its_keys() -> None:
    """Where the package is installed, `config reference` explains its table too, and the sample offers it."""
    assert "## `[[channel]] bell`" in reference()
    assert '| `sound` | one of "chime", "horn" | `"chime"` | What it plays. |' in reference()
    assert '#kind = "bell"' in sample()
    assert [channel.kind for channel in parse(sample().encode(), Path("sample")).channel] == ["webhook"]


def test_a_rack_lives_with_it_and_outlives_it(
    racks: Racks, phone: Phone, bell: HallBell, remove: Callable[[], None]
) -> None:
    """What the station measured and what the bell told stay right over a restart, in an export, and when the package is gone."""
    words, file = racks.folder / "words", racks.folder / "rack.toml"
    file.write_text(rack(racks, words, hall(bell.port), temperature_c=36.0))
    meant: set[tuple[float | None, float | None]] = set()

    def measure() -> None:
        number = 26_000 + len(meant)
        words.write_text(f"{number} 39000")
        meant.add(STATION.decode(number, 39_000))

    def live(seconds: float) -> Config:
        config, _ = load_or_last_good(file)
        measure()
        daemon = racks.start(config)
        racks.clock.advance(seconds, each=measure)
        racks.stop(daemon)
        return config

    live(600)
    live(600)
    shown = bell.taken()
    assert any("too hot" in text or "hot since" in text for text in shown), shown
    assert _values(racks.folder) <= meant
    assert len(_values(racks.folder)) > 10
    remove()
    before = _values(racks.folder)
    assert before <= meant  # the scale stands in the probe's row: nothing of the package is asked
    export(racks.folder, racks.folder / "all.csv")
    exported = [line for line in (racks.folder / "all.csv").read_text().splitlines() if ",t2," in line]
    assert len(exported) >= len(before)
    config, problems = load_or_last_good(file)
    assert [(one.key, one.given) for one in problems] == [('channel[1] "hall" .kind', '"bell"')]
    assert isinstance(open_channel(config.channel[0], time.time), Unusable)
    daemon = racks.start(config)
    racks.clock.advance(7 * 3600)  # a standing alarm comes again after six hours
    phone.wait_until(lambda message: "T1" in message["title"], "the alarm over the other channel")
    racks.stop(daemon)
    assert bell.taken() == shown
    assert {value for value in _values(racks.folder) if value != (None, None)} == before


@pytest.mark.parametrize(
    ("model", "sender", "said"),
    [
        ("raise OSError('no such drive')", "", "no such drive"),
        ("BellChannel = 5", "", "no subclass of ChannelConfig"),
        ("from dewkeeper_config.models import ChannelConfig as BellChannel", "", "Literal"),
        ("", "raise OSError('no such drive')", "no such drive"),
        ("", "def open_channel(config, wall): return 5", "gave int, no Channel"),
        ("", None, "no installed package sends kind 'bell'"),
    ],
)
def test_a_broken_package_costs_its_channel_only(
    racks: Racks, site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, model: str, sender: str | None, said: str
) -> None:
    """What cannot be loaded is named as what it is, where the file is checked or where the channel is opened."""
    broken, facts = tmp_path / "broken", tmp_path / "broken" / "broken_bell-1.dist-info"
    facts.mkdir(parents=True)
    name = f"broken_{abs(hash((model, sender)))}"  # Python keeps a module by its name
    good = (site / "outsider_parts" / "bell_settings.py").read_text(encoding="utf-8")
    (broken / f"{name}_model.py").write_text(model or good)
    (broken / f"{name}_sender.py").write_text(sender or "")
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: broken-bell\nVersion: 1\n")
    groups = f"[dewkeeper.channel_models]\nbell = {name}_model:BellChannel\n"
    if sender is not None:
        groups += f"[dewkeeper.channels]\nbell = {name}_sender:open_channel\n"
    (facts / "entry_points.txt").write_text(groups)
    monkeypatch.syspath_prepend(str(broken))
    if model:
        with pytest.raises(ConfigInvalid, match=said) as caught:
            config_of(racks, tmp_path / "words", hall(7007))
        assert [one.key for one in caught.value.problems] == ['channel[1] "hall" .kind']
        return
    channel = open_channel(config_of(racks, tmp_path / "words", hall(7007)).channel[0], time.time)
    assert isinstance(channel, Unusable)
    assert said in channel.why


def _values(folder: Path) -> set[tuple[float | None, float | None]]:
    with History.open(folder) as history:
        return {(one.reading.temperature_c, one.reading.humidity_percent) for one in history.raw("t2", 0, 1 << 40)}
