#!/usr/bin/env bash
# Replaces the running dewkeeper by the version in this checkout, and goes back by itself when that does not run.
# The new one is built and tested beside the old one, which watches on meanwhile: the gap is one restart.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
source=$(dirname "$here")
# shellcheck source=deploy/steps.sh
. "$here/steps.sh"

usage() {
  cat <<'EOF'
usage: sudo deploy/update.sh [--dry-run] [--rollback] [--watch-seconds N]

  --dry-run           print every step, change nothing
  --rollback          go back to the release before the current one
  --watch-seconds N   how long the new one must run without a restart before it is kept (default 45)
EOF
}

rollback=no
watch_seconds=45
while [ "$#" -gt 0 ]; do
  case $1 in
    --dry-run) dry_run=yes ;;
    --rollback) rollback=yes ;;
    --watch-seconds)
      [[ ${2:-} =~ ^[0-9]+$ ]] || refuse "--watch-seconds needs a number"
      watch_seconds=$2
      shift
      ;;
    -h | --help) usage; exit 0 ;;
    *) usage >&2; exit 2 ;;
  esac
  shift
done
prefix=${DEWKEEPER_PREFIX:-$prefix}  # an installation elsewhere, as the tests make one
state=${DEWKEEPER_STATE:-$state}
[ -e "$prefix/current" ] || refuse "nothing installed in $prefix: use install.sh"
need_root "$prefix"
old=$(readlink -f "$prefix/current")

# The version of the database's schema: only a change of it makes a copy necessary.
schema() {
  [ -e "$state/dewkeeper.db" ] || return 0
  python3 - "$state/dewkeeper.db" <<'EOF'
import sqlite3, sys
connection = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True, timeout=10)
print(*(row[0] for row in connection.execute("SELECT version_num FROM alembic_version")))
EOF
}

# A copy through SQLite, whole at one instant, while the old one writes on.
copy_database() {
  [ -e "$state/dewkeeper.db" ] || return 0
  step "copy the database, in case the new release changes it" python3 -c '
import sqlite3, sys
source, target = sqlite3.connect(sys.argv[1], timeout=30), sqlite3.connect(sys.argv[2])
source.backup(target)
target.close()' "$state/dewkeeper.db" "$state/before-update.db"
}

restart() { step "restart the daemon" systemctl restart dewkeeper.service; }
restarts() { systemctl show --property=NRestarts --value dewkeeper.service; }

# runs: whether the daemon came up and stayed up. Type=notify makes the restart itself wait for its first cycle.
runs() {
  restart || return 1
  [ "$dry_run" = yes ] && return 0
  local before
  before=$(restarts)
  say "-- watching it for $watch_seconds s"
  sleep "$watch_seconds"
  # Both: a daemon that fails is started again by systemd, and may be up at the moment it is asked for.
  systemctl is-active --quiet dewkeeper.service && [ "$(restarts)" = "$before" ]
}

if [ "$rollback" = yes ]; then
  # Names are times, so they sort. One newer than the current was left by going back, and is no way back.
  previous=""
  for release in "$prefix"/releases/*/; do
    release=${release%/}
    [[ ! $(basename "$release") < $(basename "$old") ]] || previous=$release
  done
  [ -n "$previous" ] || refuse "there is no release before $(basename "$old") to go back to"
  say "going back from $(basename "$old") to $(basename "$previous")"
  point_to "$previous"
  runs || refuse "the release before does not run either: journalctl -u dewkeeper"
  say "running $(basename "$previous"). A database changed by the newer one is in $state; a copy from before the" \
    "update, if one was made, is before-update.db"
  exit 0
fi

new=$prefix/releases/$(date -u +%Y%m%dT%H%M%SZ)
say "building $(basename "$new") beside $(basename "$old"), which goes on watching"
abandon() {
  say "the new release is not good: nothing was switched, $(basename "$old") watched on" >&2
  [ "$dry_run" = yes ] || rm -rf "$new"
  exit 1
}
make_release "$source" "$new" || abandon
if [ -e "$configuration" ] && [ "$dry_run" = no ]; then
  # 1 means that a secret or a wire is missing, which the old one lives with too; 2 that the file is refused.
  code=0
  "$new/bin/dewkeeper" config check --config "$configuration" || code=$?
  [ "$code" -ne 2 ] || abandon
fi
before=$(schema)
copy_database
started=$(date +%s)
point_to "$new"
unit=${DEWKEEPER_UNIT:-/etc/systemd/system/dewkeeper.service}
step "keep the old unit" cp "$unit" "$prefix/unit-before"
step "install the unit" install -m 0644 "$here/dewkeeper.service" "$unit"
step "let systemd read it" systemctl daemon-reload
if runs; then
  # Three releases are kept: this one, the one before (the oldest of all, where that was gone back to), and one more
  # in doubt.
  find "$prefix/releases" -mindepth 1 -maxdepth 1 -type d ! -path "$old" | sort | head -n -2 | while read -r stale; do
    step "remove an old release" rm -rf "$stale"
  done
  [ "$(schema)" = "$before" ] && rm -f "$state/before-update.db"
  say "running $(basename "$new"), $(($(date +%s) - started)) s after the switch began"
  exit 0
fi

say "the new release does not run: going back to $(basename "$old")" >&2
point_to "$old"
step "put the old unit back" install -m 0644 "$prefix/unit-before" "$unit"
step "let systemd read it" systemctl daemon-reload
if [ "$(schema)" != "$before" ]; then
  # The old release cannot read what the new one made of it. What was recorded since is kept aside.
  step "stop the daemon" systemctl stop dewkeeper.service
  step "keep the changed database aside" mv "$state/dewkeeper.db" "$state/after-failed-update.db"
  # SQLite would take them for the log of whatever bears the name, and write them into the copy.
  step "and no journal of it" rm -f "$state/dewkeeper.db-wal" "$state/dewkeeper.db-shm"
  step "put the copy from before back" mv "$state/before-update.db" "$state/dewkeeper.db"
  step "give it to its owner" chown --reference="$state/after-failed-update.db" "$state/dewkeeper.db"
  step "and to no one else" chmod --reference="$state/after-failed-update.db" "$state/dewkeeper.db"
fi
restart || say "the old release does not start either: journalctl -u dewkeeper" >&2
[ "$dry_run" = yes ] || rm -rf "$new"
say "back on $(basename "$old"), $(($(date +%s) - started)) s after the switch began" >&2
exit 1
