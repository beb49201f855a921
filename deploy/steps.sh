# shellcheck shell=bash
# shellcheck disable=SC2034  # the paths below are for the scripts that read this file
# Shared by install.sh, update.sh and uninstall.sh; not run by itself.
# Every change to the machine goes through `step` or `put`, so --dry-run prints all of them and makes none.

prefix=/opt/dewkeeper  # releases/NAME holds one installation each, current points to the one that runs
state=/var/lib/dewkeeper
cache=/var/cache/dewkeeper  # what Python compiles for the service
configuration=/etc/dewkeeper/dewkeeper.toml
machine=${DEWKEEPER_MACHINE:-}  # a folder instead of the root, for the tests, where it is asked what this machine has
boot=$machine/boot/firmware/config.txt  # of a Pi, since bookworm
dry_run=no

say() { printf '%s\n' "$*"; }
refuse() { printf 'dewkeeper: %s\n' "$*" >&2; exit 1; }

# step WORDS COMMAND...: say what and how, and do it.
step() {
  say "-- $1"
  shift
  say "   + $*"
  [ "$dry_run" = yes ] || "$@"
}

# put MODE FILE: write standard input to a file that is not there yet; a file the keeper may have edited stays.
put() {
  local content
  content=$(cat)
  if [ -e "$2" ]; then
    say "-- $2 is there already and stays as it is"
    return
  fi
  say "-- write $2 (mode $1)"
  if [ "$(wc -l <<<"$content")" -le 12 ]; then  # a long file would push everything else off the screen
    printf '%s\n' "$content" | sed 's/^/   | /'
  fi
  [ "$dry_run" = yes ] && return
  printf '%s\n' "$content" | install -D -m "$1" /dev/stdin "$2"
}

# line FILE TEXT: add a line to a file unless it is in there.
line() {
  if [ -e "$1" ] && grep -qxF -- "$2" "$1"; then
    say "-- $1 has \"$2\" already"
    return
  fi
  say "-- add to $1: $2"
  [ "$dry_run" = yes ] && return
  printf '%s\n' "$2" >>"$1"
}

# taken_buses: the numbers of I2C buses that are there now, that the firmware's device tree promises to some controller
# (a Pi 5: 10 to 12 and those of its video ports; a Pi 4: 20 and 21; both from memory), or that an overlay gives out.
taken_buses() {
  local path base
  for path in "$machine"/sys/class/i2c-adapter/i2c-[0-9]* "$machine"/dev/i2c-[0-9]* \
    "$machine"/proc/device-tree/aliases/i2c[0-9]*; do
    if [ -e "$path" ]; then
      path=${path##*/i2c}
      printf '%s\n' "${path#-}"
    fi
  done
  if [ -e "$boot" ]; then
    while read -r base; do seq "$base" $((base + 7)); done \
      < <(sed -En 's/^[[:space:]]*dtoverlay=i2c-mux,(.*,)?base=([0-9]+)(,.*)?$/\2/p' "$boot")
  fi
}

# free_base FROM: the first of eight bus numbers in a row that nobody has, for the channels of one multiplexer.
free_base() {
  local base=$1 number taken
  taken=" $(taken_buses | tr '\n' ' ')"
  while [ $((base + 7)) -le 255 ]; do
    for ((number = base; number < base + 8; number++)); do
      if [[ $taken == *" $number "* ]]; then
        base=$((number + 1))
        continue 2
      fi
    done
    printf '%s\n' "$base"
    return
  done
  refuse "there are no eight free bus numbers in a row left for a multiplexer"
}

# base_of ADDRESS: the number that an overlay for this multiplexer gives its first channel; nothing if there is none.
base_of() {
  if [ -e "$boot" ]; then
    sed -En "/^[[:space:]]*dtoverlay=i2c-mux,(.*,)?addr=$1(,|\$)/s/.*,base=([0-9]+).*/\1/p" "$boot" | tail -n 1
  fi
}

# channels ADDRESS BASE: the configuration of a multiplexer's eight channels, to copy.
channels() {
  local channel
  for channel in 0 1 2 3 4 5 6 7; do
    printf '[[bus]]\nname = "%s channel %d"\nnumber = %d\nadapter = "i2c1"\n\n' "$1" "$channel" $(($2 + channel))
  done
}

# need_systemd: refuse where nothing would start the service, before anything is changed.
need_systemd() {
  [ -d "$machine/run/systemd/system" ] || refuse "systemd does not run this machine (a container, or another init): \
nothing would start the watch or notice that it hangs, so nothing is installed. To try dewkeeper here: demo/run"
}

# zone_here: the time zone of this machine, by which the night and the quiet hours are meant.
zone_here() {
  local link
  link=$(readlink -f "$machine/etc/localtime" || true)
  case $link in
    */zoneinfo/*) link=${link##*/zoneinfo/} && printf '%s\n' "${link#posix/}" ;;
    *) printf 'UTC\n' ;;
  esac
}

# need_root FOLDER: refuse to begin what cannot be carried through.
need_root() {
  [ "$dry_run" = yes ] || [ -w "$1" ] || refuse "needs root: sudo '$0' (or --dry-run to see what it would do)"
}

# guests: what pip needs for the packages of others, in the release that runs, that bring drivers or channels; one a line.
guests() {
  [ -x "$prefix/current/bin/python" ] || return 0
  "$prefix/current/bin/python" - <<'EOF'
import json
from importlib.metadata import distributions

for package in distributions():
    groups = {entry.group.partition(".")[0] for entry in package.entry_points}
    if package.name == "dewkeeper" or "dewkeeper" not in groups:
        continue
    origin = json.loads(package.read_text("direct_url.json") or "{}")  # PEP 610: of what did not come from an index
    vcs = origin.get("vcs_info", {})
    url = f"{vcs['vcs']}+{origin['url']}@{vcs['commit_id']}" if vcs else origin.get("url")
    print(f"{package.name} @ {url}" if url else f"{package.name}=={package.version}")
EOF
}

# make_release SOURCE FOLDER: install the checkout into a new environment of its own, touching nothing that runs.
# An update must not take away a probe or a way to people: the optional library goes along where the configuration needs
# it, and so do the packages of others. Where one of them cannot be had again nothing is switched.
make_release() {
  local extras=""
  if grep -Eqs '^[^#]*kind *= *"apprise"' "$configuration"; then extras=apprise; fi
  if grep -Eqs '^ *\[collect\]' "$configuration"; then
    extras=${extras:+$extras,}collect
    step "install the library that speaks with PostgreSQL" apt-get install -y --no-install-recommends libpq5 || return 1
  fi
  extras=${extras:+[$extras]}
  # `|| return 1` on each step: called as `make_release ... || abandon`, a function goes on in spite of set -e.
  step "make a Python environment of its own" python3 -m venv "$2" || return 1
  step "install dewkeeper into it (needs the network, some minutes on a small Pi)" \
    "$2/bin/python" -m pip install --quiet --disable-pip-version-check --no-cache-dir --prefer-binary "$1$extras" || return 1
  local others guest
  # Apart from `local`, whose own success would hide that it failed.
  others=$(guests) || return 1
  while IFS= read -r guest; do
    [ -z "$guest" ] || step "install what the running release has besides" \
      "$2/bin/python" -m pip install --quiet --disable-pip-version-check --no-cache-dir --prefer-binary "$guest" </dev/null || return 1
  done <<<"$others"
  step "check that it can run: imports, database, judge" "$2/bin/dewkeeper" selftest --installation
}

# point_to FOLDER: make it the current one, in one rename: there is no moment without a current release.
point_to() {
  step "prepare the switch" ln -sfn "$1" "$prefix/.next"
  step "make $(basename "$1") the current release" mv -T "$prefix/.next" "$prefix/current"
}

cautions() {
  cat <<'EOF'

Before you rely on it:
  - It only watches. It cannot switch heat off, and may be dead when it is needed: every heater needs its own
    thermostat and an independent over-temperature cut-out that fails off.
  - Mains near water: residual-current protection, drip loops, strain relief, a licensed electrician. Probes get
    extra-low voltage only (3.3 V); no mains cable in a tub.
  - Limits are common practice and yours to edit, no veterinary advice. A sick-looking animal goes to an exotics vet
    whatever the numbers say.
  - A dead monitor looks like a calm night. Set notify.heartbeat_url, so that something outside notices silence.
EOF
}
