#!/usr/bin/env bash
# Installs dewkeeper on Raspberry Pi OS (or Debian) bookworm and trixie, 64-bit. Run again, it changes only what is
# missing. `update.sh` brings a newer version.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
source=$(dirname "$here")
# shellcheck source=deploy/steps.sh
. "$here/steps.sh"

usage() {
  cat <<'EOF'
usage: sudo deploy/install.sh [--dry-run] [--no-i2c] [--multiplexer ADDRESS]...

  --dry-run              print every step, change nothing
  --no-i2c               leave the Pi's I2C setting alone
  --multiplexer 0x70     let the kernel drive a PCA9548 or TCA9548A at this address; its channels become buses
                         with numbers that are free here, from /dev/i2c-30 on
EOF
}

i2c=yes
multiplexers=()
while [ "$#" -gt 0 ]; do
  case $1 in
    --dry-run) dry_run=yes ;;
    --no-i2c) i2c=no ;;
    --multiplexer)
      [[ ${2:-} =~ ^0x7[0-7]$ ]] || refuse "--multiplexer needs an address from 0x70 to 0x77"
      multiplexers+=("$2")
      shift
      ;;
    -h | --help) usage; exit 0 ;;
    *) usage >&2; exit 2 ;;
  esac
  shift
done
need_root /etc

# --- is this a machine it was made for? A dry run refuses what the run refuses ------------------------------------
codename=$(. /etc/os-release && echo "${VERSION_CODENAME:-unknown}")
say "dewkeeper for $codename, $(uname -m)"
case $codename in
  bookworm | trixie) ;;
  *) refuse "made for Raspberry Pi OS or Debian bookworm and trixie, this is $codename" ;;
esac
[ "$(getconf LONG_BIT)" -eq 64 ] || refuse "needs a 64-bit system: a 32-bit one lacks ready-made packages"
need_systemd
if [ "${#multiplexers[@]}" -gt 0 ] && [ ! -e "$boot" ]; then
  refuse "--multiplexer needs a Raspberry Pi: there is no $boot"
fi
zone=$(zone_here)
say "-- this machine's time zone is $zone: the night and quiet hours of the configuration will follow it"
case $zone in
  UTC | Etc/*) say "   if you do not live by it: sudo timedatectl set-timezone Europe/Vienna (yours), then this again" ;;
esac

# --- packages, I2C, user ------------------------------------------------------------------------------------------
step "install what it needs from Debian" \
  apt-get install -y --no-install-recommends python3 python3-venv i2c-tools
if [ "$i2c" = yes ]; then
  if command -v raspi-config >/dev/null; then
    step "switch the I2C bus on" raspi-config nonint do_i2c 0
  elif [ -e "$boot" ]; then
    line "$boot" "dtparam=i2c_arm=on"
  else
    say "-- no Raspberry Pi firmware here: the I2C bus is left as it is"
  fi
  # The bus alone gives no /dev/i2c-N: this module does.
  put 0644 /etc/modules-load.d/dewkeeper.conf <<<"i2c-dev"
fi
# A fixed base, for otherwise the numbers depend on the order in which the kernel finds things. From 30 on: below that a
# Pi's own buses have their numbers, and which of them appear depends on the displays and cameras that are plugged in.
number=30
found=()
for address in "${multiplexers[@]}"; do
  base=$(base_of "$address")
  if [ -n "$base" ]; then
    say "-- $boot has the multiplexer at $address already, its channels are /dev/i2c-$base to -$((base + 7))"
  else
    base=$(free_base "$number")
    line "$boot" "dtoverlay=i2c-mux,pca9548,addr=$address,base=$base"
    number=$((base + 8))  # a dry run writes nothing that the next search could find
  fi
  found+=("$address $base")
done
# Two multiplexers on one bus: the last used channel of each stays open, and two sensors of one address answer at
# once. -2 closes a multiplexer after every transfer (kernel documentation, sysfs-bus-i2c-devices-pca954x).
put 0644 /etc/udev/rules.d/60-dewkeeper.rules \
  <<<'ACTION=="add|bind", SUBSYSTEM=="i2c", DRIVER=="pca954x", ATTR{idle_state}="-2"'
getent group i2c >/dev/null || step "make the group that may use I2C" groupadd --system i2c
getent passwd dewkeeper >/dev/null || step "make the user it runs as" \
  useradd --system --user-group --home-dir "$state" --no-create-home --shell /usr/sbin/nologin dewkeeper
if [ -n "${SUDO_USER:-}" ] && [ "${SUDO_USER:-}" != root ]; then
  # Configuration and readings are for the group to read, and for nobody else.
  step "let $SUDO_USER use the dewkeeper command (from the next login on)" usermod -aG dewkeeper "$SUDO_USER"
fi

# --- the program --------------------------------------------------------------------------------------------------
if [ -e "$prefix/current" ]; then
  say "-- $prefix/current is there already; a newer version comes by: sudo deploy/update.sh"
else
  release=$prefix/releases/$(date -u +%Y%m%dT%H%M%SZ)
  step "make the folder of releases" install -d -m 0755 "$prefix/releases"
  make_release "$source" "$release"
  point_to "$release"
fi
step "put the command on everybody's path" ln -sfn "$prefix/current/bin/dewkeeper" /usr/local/bin/dewkeeper

# --- configuration, secrets, unit ---------------------------------------------------------------------------------
step "make the folder of the configuration" install -d -m 0755 "$(dirname "$configuration")"
step "make the folder of secrets, root's alone" install -d -m 0700 /etc/dewkeeper/credentials
if [ "$dry_run" = yes ]; then
  say "-- write $configuration from \`dewkeeper config sample\` with the zone $zone, unless it is there (root:dewkeeper, mode 0640)"
elif [ ! -e "$configuration" ]; then
  "$prefix/current/bin/dewkeeper" config sample | sed "s|^timezone = .*|timezone = \"$zone\"|" | put 0640 "$configuration"
  chgrp dewkeeper "$configuration"
fi
step "install the unit" install -m 0644 "$here/dewkeeper.service" /etc/systemd/system/dewkeeper.service
step "let systemd read it" systemctl daemon-reload
# Not now: what the sample names is nobody's rack.
step "start it at every boot" systemctl enable dewkeeper.service

cat <<EOF

Next:
  1. sudoedit $configuration        your racks, enclosures, probes, people
     dewkeeper config sample --example first_probe shows the smallest one
  2. sudo install -m 0600 /dev/stdin /etc/dewkeeper/credentials/phone_url   type the address of your push service,
     then Ctrl-D; the configuration names it {credential = "phone_url"}
  3. sudo dewkeeper config check
  4. reboot if I2C was switched on now or a multiplexer was added; i2cdetect -y 1 then shows 44 or 45 (or 70)
  5. sudo systemctl start dewkeeper; dewkeeper now; journalctl -u dewkeeper -f

Recommended: the Pi's own hardware watchdog, which restarts a machine that hangs as a whole. In a file
/etc/systemd/system.conf.d/watchdog.conf:  [Manager]  RuntimeWatchdogSec=15  (15 s is the most its timer can do)
EOF
for multiplexer in "${found[@]}"; do
  address=${multiplexer% *} base=${multiplexer#* }
  say ""
  say "The channels of the multiplexer at $address, for $configuration (leave out what has no probe):"
  say ""
  channels "$address" "$base"
done
cautions
if [ "$dry_run" = yes ]; then
  say ""
  say "This was a dry run: nothing was changed."
  [ -w /etc ] || say "The run itself needs root: sudo $0"
fi
