"""What one table says of another: references, wiring, limits, people."""

from __future__ import annotations

from typing import Any

import pytest

from dewkeeper_config.lacking import missing_secrets, problems_for_run


def change(tree: Any, path: str, value: object) -> None:
    """Set a value by a path such as `probe.0.bus`; None removes it."""
    *parents, last = [int(part) if part.isdigit() else part for part in path.split(".")]
    for part in parents:
        tree = tree[part]
    if value is None:
        del tree[last]
    else:
        tree[last] = value


NEIGHBOUR = {"name": "North", "address": "http://north.local:8080", "key": {"credential": "neighbour_key"}}
CASES = [
    # what is changed, to what, which key is named, a word of what is allowed
    ("enclosure.0.rack", "right", 'enclosure[1] "B3" .rack', "left"),
    ("enclosure.0.profile", "boa", 'enclosure[1] "B3" .profile', "hatchling"),
    ("enclosure.1.name", "B3", 'enclosure[2] "B3" .name', "once"),
    ("enclosure.1.name", "b3", 'enclosure[2] "b3" .name', "once"),
    ("probe.1.name", "b3", 'probe[2] "b3" .name', "once"),
    ("bus.1.name", "i2c1", 'bus[2] "i2c1" .name', "once"),
    ("bus.1.number", 1, 'bus[2] "second" .number', "once"),
    ("probe.0.enclosure", "Z9", 'probe[1] "b3" .enclosure', "B3"),
    ("probe.0.enclosure", None, 'probe[1] "b3" .enclosure', "substrate"),
    ("probe.0.room", "snake room", 'probe[1] "b3" .room', "role room"),
    ("probe.2.room", None, 'probe[3] "room" .room', "snake room"),
    ("probe.2.room", "attic", 'probe[3] "room" .room', "snake room"),
    ("probe.2.enclosure", "B3", 'probe[3] "room" .enclosure', "no enclosure"),
    ("probe.0.bus", "third", 'probe[1] "b3" .bus', "i2c1"),
    ("probe.1.bus", None, 'probe[2] "b4" .bus', "multiplexer"),
    ("probe.1.channel", None, 'probe[2] "b4" .channel', "together"),
    ("probe.1.multiplexer", 0x71, 'probe[2] "b4" .multiplexer', "0x70"),
    ("probe.1.bus", "second", 'probe[2] "b4" .multiplexer', "declares none"),
    ("probe.1.address", 0x44, 'probe[2] "b4" .address', 'probe[1] "b3"'),
    ("probe.2.bus", "i2c1", 'probe[3] "room" .address', 'probe[1] "b3"'),
    ("probe.0.address", 0x40, 'probe[1] "b3" .address', "0x44, 0x45"),
    ("bus.0.multiplexers", [{"address": 0x70}, {"address": 0x70}], 'bus[1] "i2c1" .multiplexers', "once"),
    ("channel.0.url", "ftp://T0PSECRET", 'channel[1] "phone" .url', "https://"),
    ("channel.0.url", "push.example.org", 'channel[1] "phone" .url', "https://"),
    ("channel.0.url", "", 'channel[1] "phone" .url', "text"),
    ("neighbour", {**NEIGHBOUR, "name": "The rack"}, "neighbour.name", "another name"),
    ("neighbour", {**NEIGHBOUR, "address": "north.local"}, "neighbour.address", "https://"),
    ("neighbour", {**NEIGHBOUR, "key": "T0PSECRET"}, "neighbour.key", "whsec_"),
    ("neighbour", {**NEIGHBOUR, "minutes": 10, "silent_minutes": 15}, "neighbour.silent_minutes", "twice"),
    ("neighbour", {**NEIGHBOUR, "ca_file": "ca.pem"}, "neighbour.ca_file", "whole path"),
    ("collector", {"address": {"file": "address"}}, "collector.address", "whole path"),
    ("channel.0.body", "template", 'channel[1] "phone" .template', "template"),
    ("channel.0.template", "{title}", 'channel[1] "phone" .body', "template"),
    ("channel.0.content_type", "text/plain", 'channel[1] "phone" .content_type', "json"),
    ("channel.0.secrets", ["T0PSECRET"], 'channel[1] "phone" .secrets[1]', "whsec_"),
    ("channel.1.security", "none", 'channel[2] "mail" .security', "starttls"),
    ("channel.1.to", ["marit"], 'channel[2] "mail" .to', "marit@example.org"),
    ("channel.1.sender", "a b@c", 'channel[2] "mail" .sender', "marit@example.org"),
    ("channel.1.password", None, 'channel[2] "mail" .password', "together"),
    ("channel.1.username", None, 'channel[2] "mail" .username', "together"),
    ("channel.1.name", "phone", 'channel[2] "phone" .name', "once"),
    ("person.0.channels", ["fax"], 'person[1] "Marit" .channels', "phone, mail"),
    ("person.0.channels", ["phone", "phone"], 'person[1] "Marit" .channels', "once"),
    ("person.0.escalation", 1, "person", "escalation 0"),
    ("person.0.sitter", True, "person", "sitter"),
    ("person.0.quiet_hours", {"start": "22:00", "end": "22:00"}, 'person[1] "Marit" .quiet_hours.end', "false"),
    ("site.night_end", "21:00", "site.night_end", "night_start"),
    ("storage", {"backup": {"folder": "/var/lib/dewkeeper/copies"}}, "storage.backup.folder", "outside"),
    ("storage", {"backup": {"require_mount": True}}, "storage.backup.folder", "needs one"),
    ("enclosure.0.place", 2, 'enclosure[2] "B4" .place', "of its own"),
    ("channel.1.host", "mail example", 'channel[2] "mail" .host', "mail.example.org"),
    ("channel.1.host", "192.168.1.999", 'channel[2] "mail" .host', "mail.example.org"),
    ("channel.1.host", "-mail.example.org", 'channel[2] "mail" .host', "mail.example.org"),
    ("channel.0.url", "https://push_example..org/T0PSECRET", 'channel[1] "phone" .url', "host"),
    ("channel.0.url", {"file": "secrets/url"}, 'channel[1] "phone" .url', "begins with /"),
    ("channel.1.ca_file", "ca.pem", 'channel[2] "mail" .ca_file', "begins with /"),
    ("notify", {"heartbeat_url": "T0PSECRET"}, "notify.heartbeat_url", "https://"),
    ("notify", {"heartbeat_url": {"file": "beat"}}, "notify.heartbeat_url", "begins with /"),
    ("storage", {"folder": "readings"}, "storage.folder", "begins with /"),
    ("storage", {"backup": {"folder": "stick"}}, "storage.backup.folder", "begins with /"),
    ("web", {"host": "the rack"}, "web.host", "127.0.0.1"),
    ("web", {"base_url": "rack.local:8080"}, "web.base_url", "http"),
    ("web", {"base_url": "http://rack.local:99999"}, "web.base_url", "http"),
    ("web", {"trusted_proxies": ["proxy"]}, "web.trusted_proxies", "IP"),
]


@pytest.mark.parametrize(("path", "value", "key", "word"), CASES)
def test_what_does_not_fit_together_is_refused(
    rack: Any, refused: Any, path: str, value: object, key: str, word: str
) -> None:
    """Every wrong reference or pairing is refused under the key that has it, saying what would fit."""
    change(rack, path, value)
    assert word in refused(rack)[key].allowed


LIMITS = [
    ({"humidity_target": {"low": 70, "high": 60}}, "humidity_target", "below"),
    ({"humidity_target": {"low": 60, "high": 60}}, "humidity_target", "below"),
    ({"humidity_target": {"low": 50, "high": 70}}, "humidity_target", "55 to 80"),
    ({"humidity_tolerable": {"low": 65, "high": 90}}, "humidity_target", "65 to 90"),
    ({"temperature_target": {"low": 20, "high": 30}}, "temperature_target", "24 to 34"),
    ({"temperature_danger": 34}, "temperature_danger", "34"),
    ({"day_temperature": 36}, "day_temperature", "24 to 34"),
    ({"delays": {"humidity_deadband": 10}}, "delays.humidity_deadband", "width"),
    ({"temperature_tolerable": {"low": 30, "high": 30.4}, "temperature_target": {"low": 30, "high": 30.3}},
     "delays.temperature_deadband", "width"),
]  # fmt: skip


@pytest.mark.parametrize(("limits", "key", "word"), LIMITS)
def test_limits_that_contradict_each_other_are_refused(
    rack: Any, refused: Any, limits: dict[str, object], key: str, word: str
) -> None:
    """Limits are checked as they will be in force, with what the profile gives; in own profiles as in enclosures."""
    rack["enclosure"][0]["limits"] = limits
    rack["profile"] = [{"name": "mine", "limits": limits}]
    found = refused(rack)
    assert word in found[f'enclosure[1] "B3" .limits.{key}'].allowed
    assert word in found[f'profile[1] "mine" .limits.{key}'].allowed


def test_one_address_on_two_channels_is_fine(rack: Any, loaded: Any) -> None:
    """That is what a multiplexer is for."""
    rack["probe"][0] |= {"multiplexer": 0x70, "channel": 1, "address": 0x45}
    assert loaded(rack).probe[0].channel == 1


def test_an_address_on_the_upstream_bus_shuts_it_for_the_channels_of_a_kernel_multiplexer(
    rack: Any, refused: Any
) -> None:
    """A device on the adapter's own wires answers on every channel, whichever the file lists first."""
    rack["bus"][1]["adapter"] = "i2c1"
    assert 'probe[1] "b3"' in refused(rack)['probe[3] "room" .address'].allowed


def test_a_sensor_is_in_one_place(rack: Any, refused: Any) -> None:
    """A serial number given to two probes is refused."""
    rack["probe"][0]["serial"] = rack["probe"][2]["serial"] = 4711
    assert "once" in refused(rack)['probe[3] "room" .serial'].allowed


def test_mail_without_encryption_is_for_this_machine_only(rack: Any, loaded: Any) -> None:
    """A local mail server may be spoken to in the clear."""
    for host in ("localhost", "127.0.0.1", "::1", "127.8.8.8"):
        rack["channel"][1] |= {"host": host, "security": "none"}
        assert loaded(rack).channel[1].host == host


def test_quiet_hours_can_be_switched_off(rack: Any, loaded: Any) -> None:
    """`false` means no quiet hours; leaving them out means the default ones."""
    assert loaded(rack).person[0].quiet_hours is not None
    rack["person"][0]["quiet_hours"] = False
    assert loaded(rack).person[0].quiet_hours is None


def test_a_replay_needs_no_wiring_but_the_daemon_is_told(rack: Any, loaded: Any) -> None:
    """A probe without bus or address is valid, and is named as one that cannot be read."""
    del rack["probe"][0]["bus"], rack["probe"][0]["address"]
    rack["probe"][2] = {"name": "room", "role": "room", "room": "snake room", "driver": "simulated"}
    keys = [problem.key for problem in problems_for_run(loaded(rack))]
    assert keys == ['probe[1] "b3" .bus', 'probe[1] "b3" .address']


def test_an_enclosure_nobody_watches_and_a_channel_nobody_uses_are_told(rack: Any, loaded: Any) -> None:
    """A valid file that leaves a tub without a judged probe, or a channel without a person, says so."""
    rack["probe"][0]["role"] = "warm_end"
    rack["person"][0]["channels"] = ["phone"]
    keys = [problem.key for problem in problems_for_run(loaded(rack))]
    assert keys == ['enclosure[1] "B3"', 'channel[2] "mail"']


def test_a_secret_that_is_not_there_is_named_by_its_place(rack: Any, loaded: Any, tmp_path: Any) -> None:
    """Missing, empty and unreadable secrets are listed with their source; the file as such stays valid."""
    empty = tmp_path / "empty"
    empty.write_text(" \n", encoding="utf-8")
    rack["channel"][0] |= {
        "url": {"file": str(tmp_path / "none")},
        "secrets": [{"env": "DEWKEEPER_NO_SUCH_VARIABLE"}],
        "headers": {"Authorization": {"credential": "token"}},
    }
    rack["channel"][1]["password"] = {"file": str(empty)}
    rack["notify"] = {"heartbeat_url": "https://example.org/beat"}
    found = {problem.key: problem.given for problem in missing_secrets(loaded(rack))}
    assert set(found) == {
        'channel[1] "phone" .url',
        'channel[1] "phone" .secrets[1]',
        'channel[1] "phone" .headers.Authorization',
        'channel[2] "mail" .password',
    }
    assert "DEWKEEPER_NO_SUCH_VARIABLE" in found['channel[1] "phone" .secrets[1]']


def test_a_credential_is_found_as_systemd_hands_it_over(
    rack: Any, loaded: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A credential loaded by itself, and one from a folder that got the unit's prefix, are both read."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "alone").write_text("https://a.example\n", encoding="utf-8")
    (tmp_path / "dewkeeper_folder").write_text("https://b.example\n", encoding="utf-8")
    rack["channel"][0]["url"] = {"credential": "alone"}
    assert loaded(rack).channel[0].url.read() == "https://a.example"
    rack["channel"][0]["url"] = {"credential": "folder"}
    assert loaded(rack).channel[0].url.read() == "https://b.example"


@pytest.mark.parametrize(
    "host",
    ["mail.example.org", "mail.example.org.", "rack", "my_box.local", "192.168.1.20", "::1", "[::1]", "bücher.example"],
)
def test_a_host_is_a_name_or_an_address(rack: Any, loaded: Any, host: str) -> None:
    """Names of a home network, addresses of both kinds and names beyond ASCII are hosts (RFC 1123 2.1, RFC 5890)."""
    rack["channel"][1]["host"] = host
    assert loaded(rack).channel[1].host == host


def test_an_entry_with_a_slip_is_still_there_for_the_others(rack: Any, refused: Any) -> None:
    """A bus with a wrong number still has its multiplexer, and a probe with a wrong channel is still looked at."""
    rack["bus"][0]["number"] = 999
    rack["probe"][1] |= {"multiplexer": 0x71, "serial": "x", "enclosure": "Z9"}
    assert set(refused(rack)) == {
        'bus[1] "i2c1" .number', 'probe[2] "b4" .multiplexer', 'probe[2] "b4" .serial', 'probe[2] "b4" .enclosure',
    }  # fmt: skip


def test_what_follows_from_a_refused_value_is_no_news(rack: Any, refused: Any) -> None:
    """A role that does not exist says nothing of room and enclosure, a body that does not exist nothing of templates."""
    rack["probe"][2]["role"] = "roof"
    rack["channel"][0] |= {"body": "tempalte", "template": "{title}"}
    assert set(refused(rack)) == {'probe[3] "room" .role', 'channel[1] "phone" .body'}
