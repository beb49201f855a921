"""What is done to a virtual machine, in order, and what must have come of each step.

What README and guide tell to paste is taken from them, block by block, and pasted into a login shell of the
keeper's. Where it says `<this repository>` stands a folder of the machine, and the editor writes `guest/rack.toml`.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.machine.image import KEEPER, ROOT
from tests.machine.vm import StepFailed, VirtualMachine, until

UPSTREAM = "/home/keeper/upstream.git"
UNIT = "dewkeeper.service"
RELEASE = "readlink /opt/dewkeeper/current"
NORMAL_SECONDS = 300
"""For a daemon to start, read and store, in a machine that is ten to thirty times slower than its host."""

_PREPARE = f"""set -eu
cp -r /srv/seed/dewkeeper.git {UPSTREAM}
chown -R keeper: {UPSTREAM}
cp -r /srv/seed/kernel /opt/kernel
cp /srv/seed/guest/edit.sh /usr/local/bin/edit-rack && chmod 755 /usr/local/bin/edit-rack
echo 'export SUDO_EDITOR=/usr/local/bin/edit-rack' >>/home/keeper/.profile
mkdir -p /etc/systemd/timesyncd.conf.d
printf '[Time]\\nNTP=127.0.0.1\\n' >/etc/systemd/timesyncd.conf.d/machine.conf
cat >/etc/systemd/system/phone.service <<'EOT'
[Service]
ExecStart=/usr/bin/python3 /srv/seed/guest/phone.py
[Install]
WantedBy=multi-user.target
EOT
systemctl daemon-reload
systemctl enable --now phone.service
"""

# The chips are served by the demonstration's code, which is in no release: it lies beside the emulated kernel.
_CHIPS = """set -eu
echo 'd /run/i2c 0777 root root' >/etc/tmpfiles.d/chips.conf
systemd-tmpfiles --create chips.conf
cat >/etc/systemd/system/chips.service <<'EOT'
[Service]
Environment=TMPDIR=/opt/kernel PYTHONPATH=/opt/kernel
ExecStart=/opt/dewkeeper/current/bin/python -m tests.kernel.chips /run/i2c --probes 2 --behind none
UMask=0000
[Install]
WantedBy=multi-user.target
EOT
mkdir -p /etc/systemd/system/dewkeeper.service.d
cat >/etc/systemd/system/dewkeeper.service.d/emulated-bus.conf <<EOT
[Unit]
Wants=chips.service
After=chips.service
[Service]
Environment=EMULATED_I2C=/run/i2c LD_PRELOAD=$(echo /opt/kernel/*.so)
ReadWritePaths=-/run/i2c
EOT
systemctl daemon-reload
systemctl enable --now chips.service
# On a Pi the first user may use the buses; here the keeper's own commands need the library too.
usermod -aG i2c keeper
echo "export EMULATED_I2C=/run/i2c LD_PRELOAD=$(echo /opt/kernel/*.so)" >>/home/keeper/.profile
"""


class Journey:
    """One machine from its first boot to the end, and what is known of it between two steps."""

    def __init__(self, machine: VirtualMachine) -> None:
        self.machine = machine
        self.readings = 0

    def steps(self) -> list[tuple[str, Callable[[], str]]]:
        """Return name and work of each step; the work returns what came of it, or raises StepFailed."""
        return [
            ("boot", self.boot),
            ("install", self.install),
            ("configure", self.configure),
            ("start", self.start),
            ("first reading", self.first_reading),
            ("first message", self.first_message),
            ("heat is told", self.heat),
            ("reboot", self.reboot),
            ("SIGKILL", self.killed),
            ("hung writer", self.hung_writer),
            ("full disk", self.full_disk),
            ("backup to a stick", self.backup),
            ("stick pulled out", self.stick_gone),
            ("power cut", self.power_cut),
            ("clock unset at boot", self.clock_unset),
            ("update", self.update),
            ("update that fails", self.failing_update),
            ("restore", self.restore),
            ("uninstall", self.uninstall),
        ]

    # --- the README, as it is pasted ---------------------------------------------------------------------------------

    def boot(self) -> str:
        """Boot with systemd as process 1, all units well."""
        seconds = self.machine.power_on()
        self._true_time()
        self.machine.done(_PREPARE)
        first = self.machine.done("cat /proc/1/comm").strip()
        until(lambda: self._state() != "starting", 600, "the boot is over")
        state = self._state()
        version = self.machine.done("systemctl --version | head -1; cat /etc/debian_version").split("\n")
        _expect(first == "systemd" and state == "running", f"process 1 is {first}, the system is {state}")
        return f"Debian {version[1]}, {version[0].split(' (')[0]}; up after {seconds:.0f} s"

    def install(self) -> str:
        """The block that installs."""
        self._paste("install.sh", timeout=3600)
        release = self.machine.done(RELEASE).strip()
        enabled = self.machine.run(f"systemctl is-enabled {UNIT}").said.strip()
        _expect(enabled == "enabled", f"the unit is {enabled}")
        self.machine.done("id -nG keeper | grep -qw dewkeeper")
        return f"release {Path(release).name}, unit enabled"

    def configure(self) -> str:
        """The emulated bus, the secret, and the block that edits and checks."""
        self.machine.done(_CHIPS)
        write = "echo http://127.0.0.1:8099/ | sudo install -m 0600 /dev/stdin /etc/dewkeeper/credentials/phone_url"
        _expect(self.machine.keeper(write).code == 0, "the secret was not written")
        said = self._paste("config check", timeout=900)
        _expect("28.0 °C" in said, f"the self-test read no probe: {said[-500:]}")
        return "the scan found the probes, configuration and secrets are in order, the self-test read both probes"

    def start(self) -> str:
        """The block that starts."""
        self._paste("dewkeeper now", timeout=600, but="dewkeeper now")  # nothing is stored yet
        state = self.machine.done(f"systemctl is-active {UNIT}").strip()
        return f"{state}, watchdog {self._show('WatchdogUSec')}"

    def first_reading(self) -> str:
        """Every probe is measured, and by values of the chips."""
        seconds = self._measured()
        probe = self._now()["probes"][0]
        value = probe["temperature_c"], probe["humidity_percent"]
        _expect(abs(value[0] - 28.0) < 0.1 and abs(value[1] - 65.0) < 0.2, f"read {value}, the chip has 28.0, 65.0")
        return f"both probes measured after {seconds:.0f} s, as the chips are"

    def first_message(self) -> str:
        """A test message reaches the phone."""
        before = len(self._inbox())
        said = self.machine.keeper("dewkeeper notify test", timeout=120)
        _expect(said.code == 0, said.said)
        until(lambda: len(self._inbox()) > before, 120, "a test message on the phone")
        return f'"{self._inbox()[-1].get("title")}"'

    def heat(self) -> str:
        """39.5 °C at a probe is told. (Not when it is over: chips that hold still are soon called stuck, rightly.)"""
        self._air({"temperature": {"p0": 39.5}})
        seconds = until(lambda: self._told("T0", "hot"), 300, "a message about heat in T0")
        title = next(m["title"] for m in reversed(self._inbox()) if "T0" in m.get("title", ""))
        self._air({})
        return f'"{title}" {seconds:.0f} s after'

    # --- what happens to it ------------------------------------------------------------------------------------------

    def reboot(self) -> str:
        """After a reboot it watches by itself."""
        self.machine.run("systemctl reboot")
        self.machine.wait_for_boot()
        self._true_time()
        seconds = self._measured()
        return f"watching {seconds:.0f} s after login was possible, {self._kept()}"

    def killed(self) -> str:
        """SIGKILL: started again by systemd."""
        before = self._restarts()
        self.machine.done(f"systemctl kill -s KILL {UNIT}")
        until(lambda: self._restarts() > before and self._active(), NORMAL_SECONDS, "systemd starts it again")
        self._measured()
        return f"started again, {self._kept()}"

    def hung_writer(self) -> str:
        """The writer's thread stands still: the watchdog ends the process, systemd starts it again."""
        before, process = self._restarts(), self._show("MainPID")
        self.machine.done(
            f"systemd-run --unit=hang --collect python3 /srv/seed/guest/hang_writer.py {process} 80; sleep 90;"
            " journalctl -u hang --no-pager -o cat | grep 'stands still'", timeout=400
        )  # fmt: skip
        seconds = until(lambda: self._restarts() > before and self._active(), 900, "the watchdog has it started again")
        log = self.machine.done(f"journalctl -u {UNIT} --no-pager -o cat -n 3000")
        for words in ("no sign of life from: writer", "Watchdog timeout", "Thread 0x"):
            _expect(words in log, f"the log does not say: {words}")
        self._measured()
        return f"killed and started again {seconds:.0f} s after it hung, stacks in the log, {self._kept()}"

    def full_disk(self) -> str:
        """The card is full: told, watched on; freed: stored again."""
        self.machine.run(
            "fallocate -l 100G /var/lib/fill 2>/dev/null; dd if=/dev/zero of=/var/lib/fill bs=1M conv=notrunc oflag=append",
            timeout=600,
        )
        until(lambda: self._told("disk"), 600, "a message about the full disk")
        title = [m["title"] for m in self._inbox() if "disk" in json.dumps(m).lower()][-1]
        _expect(self._active(), "the daemon ended")
        self.machine.done("rm /var/lib/fill")
        self._measured()
        return f'"{title}"; freed: {self._kept()}'

    def backup(self) -> str:
        """The README's block about the stick, and a copy that opens."""
        self._paste("dewkeeper backup ", timeout=600)
        copies = self.machine.done("ls /mnt/stick/dewkeeper").split()
        _expect(len(copies) == 1, f"on the stick: {copies}")
        return copies[0]

    def stick_gone(self) -> str:
        """Without the stick a copy is refused and the card not filled."""
        self.machine.done("umount /mnt/stick")
        answer = self.machine.keeper("sudo -u dewkeeper dewkeeper backup")
        _expect(answer.code == 1 and "not mounted" in answer.said, answer.said)
        self.machine.done('[ -z "$(ls -A /mnt/stick)" ] && mount /mnt/stick')
        return answer.said.strip().splitlines()[-1]

    def power_cut(self) -> str:
        """The machine is killed at once, and booted again."""
        self.machine.cut_power()
        self.machine.power_on()
        self._true_time()
        self._measured()
        check = self._sql("PRAGMA integrity_check")
        _expect(check == "ok", f"the database: {check}")
        return f"database whole, {self._kept()}"

    def clock_unset(self) -> str:
        """The machine wakes in 2020, reads at once, and dates its readings when the time comes."""
        self.machine.run("sync; systemctl stop dewkeeper; sync")
        self.machine.cut_power()
        self.machine.power_on(clock="2020-01-01T00:00:00")
        believed = self.machine.done("date -u +%FT%TZ; cat /var/lib/systemd/timesync/clock 2>/dev/null; true").split()[
            0
        ]
        until(self._active, NORMAL_SECONDS, "it starts without the time")
        time.sleep(60)
        self._true_time()
        until(lambda: self.machine.run("test -e /run/systemd/timesync/synchronized").code == 0, 300, "the clock is set")
        self._measured()
        first, last = (int(end) >> 10 for end in self._sql("SELECT min(key), max(key) FROM reading").split("|"))
        true = int(time.time())
        _expect(true - 86400 < first <= last < true + 60, f"readings are dated from {first} to {last}, it is {true}")
        return f"it believed {believed}; after the time came every reading is dated right, {self._kept()}"

    # --- another version ---------------------------------------------------------------------------------------------

    def update(self) -> str:
        """A newer version is built beside, switched to, and kept."""
        before = self.machine.done(RELEASE).strip()
        self._upstream("sed -i 's/^version = .*/version = \"0.1.1\"/' pyproject.toml")
        self._paste("git pull", timeout=3600)
        now = self.machine.done(RELEASE).strip()
        _expect(now != before, "the release is still the one before")
        self._measured()
        return f"{Path(before).name} → {Path(now).name}, {self._kept()}"

    def failing_update(self) -> str:
        """A version that does not start is taken back."""
        before = self.machine.done(RELEASE).strip()
        self._upstream(
            "sed -i '1,/^def _run/s/^def _run.*/&\\n    raise SystemExit(3)/' daemon/dewkeeper/cli/run.py && grep -q 'SystemExit(3)' daemon/dewkeeper/cli/run.py"
        )
        answer = self.machine.keeper(self._block("git pull"), timeout=3600)
        _expect(answer.code != 0, "update.sh says that all is well")
        _expect(self.machine.done(RELEASE).strip() == before, "the bad release is current")
        self._measured()
        return f"refused, back on {Path(before).name}, {self._kept()}"

    def restore(self) -> str:
        """The copy on the stick is brought back, by the README's block."""
        self.readings = 0  # what came after the copy is set aside with the database of today
        self._paste("dewkeeper restore --yes", timeout=900)
        self._measured()
        return self._kept()

    def uninstall(self) -> str:
        """Everything of it goes but what the keeper made; then that too."""
        self.machine.done("cd /home/keeper/dewkeeper && deploy/uninstall.sh", timeout=600)
        for gone in ("/opt/dewkeeper", "/etc/systemd/system/dewkeeper.service", "/usr/local/bin/dewkeeper"):
            _expect(self.machine.run(f"test -e {gone}").code != 0, f"{gone} is still there")
        self.machine.done("test -e /var/lib/dewkeeper/dewkeeper.db && test -e /etc/dewkeeper/dewkeeper.toml")
        self.machine.done("cd /home/keeper/dewkeeper && deploy/uninstall.sh --purge", timeout=600)
        left = self.machine.run(
            "find / -xdev -name '*dewkeeper*' -not -path '/home/*' -not -path '/opt/kernel/*' -not -path '/mnt/*' -not -path '/proc/*'; getent passwd dewkeeper"
        ).said.split()
        return "program gone, database and configuration kept; with --purge left behind: " + (
            ", ".join(left) or "nothing"
        )

    # --- asking the machine ------------------------------------------------------------------------------------------

    def _paste(self, words: str, timeout: float, but: str = "") -> str:
        """Paste the README's block that has these words, a line after the other, and return what was printed.

        Each line must end with 0, only that with the words `but` may end with 1. Raises StepFailed.
        """
        lines = self._block(words).strip().splitlines()
        script = "\n".join(f"{{ {line}\n}} || printf 'LINE %d ended with %d\\n' {n} $?" for n, line in enumerate(lines))
        answer = self.machine.keeper(script, timeout=timeout)
        bad = [n for n, line in enumerate(lines) if f"LINE {n} ended with" in answer.said and not (but and but in line)]
        if bad or answer.code == 124:
            raise StepFailed(
                f"the README's block with `{words}`, at `{lines[bad[0]] if bad else lines[-1]}`:\n{answer.said[-3000:]}"
            )
        return answer.said

    def _block(self, words: str) -> str:
        home = "" if words == "install.sh" else "cd dewkeeper\n"
        return home + readme_block(words).replace("<this repository>", UPSTREAM)

    def _show(self, name: str) -> str:
        return self.machine.done(f"systemctl show --property={name} --value {UNIT}").strip()

    def _state(self) -> str:
        return self.machine.run("systemctl is-system-running").said.strip()

    def _restarts(self) -> int:
        return int(self._show("NRestarts"))

    def _active(self) -> bool:
        return self.machine.run(f"systemctl is-active --quiet {UNIT}").code == 0

    def _now(self) -> Any:
        answer = self.machine.keeper("dewkeeper now --format json 2>/dev/null", timeout=120)
        try:
            return json.loads(answer.said)
        except ValueError:
            return {"probes": []}

    def _measured(self) -> float:
        """Wait until every probe has a reading taken after this moment; return the seconds that took."""
        since = self.machine.done("date -u +%FT%TZ").strip()

        def all_new() -> bool:
            probes = self._now()["probes"]
            # "stale" too: at ten seconds a poll, but a minute a commit, what is stored is often a few polls old.
            return len(probes) == 2 and all(
                p["trust"] in {"measured", "stale"} and (p["at"] or "") > since for p in probes
            )

        return until(all_new, NORMAL_SECONDS + 300, "every probe measured anew")

    def _kept(self) -> str:
        """Say how many readings are stored; they never become fewer. Raises StepFailed."""
        before, self.readings = self.readings, int(self._sql("SELECT count(*) FROM reading"))
        _expect(self.readings >= before, f"{before} readings were stored, now {self.readings}")
        return f"{self.readings} readings kept"

    def _sql(self, question: str) -> str:
        return self.machine.done(f"sqlite3 -readonly /var/lib/dewkeeper/dewkeeper.db '{question}'").strip()

    def _inbox(self) -> list[dict[str, Any]]:
        text = self.machine.run("cat /run/phone/inbox.jsonl").said
        return [json.loads(line) for line in text.splitlines() if line.startswith("{") and line.endswith("}")]

    def _told(self, *words: str) -> bool:
        return any(
            all(word.lower() in json.dumps(m, ensure_ascii=False).lower() for word in words) for m in self._inbox()
        )

    def _air(self, control: dict[str, Any]) -> None:
        self.machine.done(f"cat >/run/i2c/air.json <<'EOT'\n{json.dumps(control)}\nEOT")

    def _true_time(self) -> None:
        """Start the machine's time server with the true time, as a home's router would come up."""
        self.machine.done(
            f"systemd-run --unit=time-server --collect python3 /srv/seed/guest/time_server.py {time.time()}"
        )

    def _upstream(self, change: str) -> None:
        """Make a commit in the repository that the keeper's checkout came from, and fetch it as a keeper does."""
        self.machine.done(
            f"set -e; rm -rf ~/work; git clone -q {UPSTREAM} ~/work; cd ~/work; {change};"
            " git -c user.name=machine -c user.email=machine@example.org commit -qam change; git push -q",
            user=KEEPER, timeout=300,
        )  # fmt: skip


PASTED = ("install.sh", "config check", "dewkeeper now", "dewkeeper backup ", "git pull", "dewkeeper restore --yes")
"""Words by which the blocks of README and guide are found."""


def readme_block(words: str) -> str:
    """Return the one fenced block of README and guide that has these words. Raises StepFailed when there is not one."""
    documents = (ROOT / "README.md", ROOT / "deploy" / "GUIDE.md")
    blocks = [block for text in documents for block in text.read_text(encoding="utf-8").split("```")[1::2]]
    found = [block.partition("\n")[2] for block in blocks if words in block]
    if len(found) != 1:
        raise StepFailed(f"{len(found)} blocks of README and guide have `{words}`")
    return found[0]


def _expect(true: bool, otherwise: str) -> None:
    if not true:
        raise StepFailed(otherwise)
