#!/usr/bin/env bash
# Removes dewkeeper. What the keeper made stays, unless --purge says otherwise: readings, journal, configuration, secrets.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
# shellcheck source=deploy/steps.sh
. "$here/steps.sh"

usage() {
  cat <<'EOF'
usage: sudo deploy/uninstall.sh [--dry-run] [--purge]

  --dry-run   print every step, change nothing
  --purge     remove readings, journal, configuration and secrets too: nothing brings them back but a backup
EOF
}

purge=no
while [ "$#" -gt 0 ]; do
  case $1 in
    --dry-run) dry_run=yes ;;
    --purge) purge=yes ;;
    -h | --help) usage; exit 0 ;;
    *) usage >&2; exit 2 ;;
  esac
  shift
done
need_root /etc

# gone WORDS PATH...: remove those of the files and folders that are there.
gone() {
  local words=$1 path there=()
  shift
  for path; do
    if [ -e "$path" ] || [ -L "$path" ]; then there+=("$path"); fi
  done
  if [ "${#there[@]}" -gt 0 ]; then step "$words" rm -rf -- "${there[@]}"; fi
}

if [ -e /etc/systemd/system/dewkeeper.service ]; then
  step "end the watch, now and at every boot" systemctl disable --now dewkeeper.service
fi
gone "remove the unit" /etc/systemd/system/dewkeeper.service
step "let systemd forget it" systemctl daemon-reload
gone "remove the program, its command and what was compiled of it" "$prefix" /usr/local/bin/dewkeeper "$cache"
gone "remove what loaded the I2C module and closed multiplexers" \
  /etc/modules-load.d/dewkeeper.conf /etc/udev/rules.d/60-dewkeeper.rules
if [ "$purge" = yes ]; then
  gone "remove readings and journal" "$state"
  gone "remove configuration, secrets, drop-ins, completions" \
    "$(dirname "$configuration")" /etc/systemd/system/dewkeeper.service.d /etc/bash_completion.d/dewkeeper
  if getent passwd dewkeeper >/dev/null; then step "remove the user" userdel dewkeeper; fi
  if getent group dewkeeper >/dev/null; then step "remove the group" groupdel dewkeeper; fi
fi

say ""
if [ "$dry_run" = yes ]; then
  say "This was a dry run: nothing was changed. Otherwise nothing would watch the racks now."
else
  say "dewkeeper is removed. Nothing watches the racks now."
fi
say "Left as they are: packages, group i2c, dtparam and dtoverlay lines in $boot, backups."
if [ "$purge" = no ]; then
  say "Kept: $state, $(dirname "$configuration"), the user dewkeeper that owns them. install.sh goes on from there."
fi
